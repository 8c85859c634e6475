"""Whether two printed figures differ as a misprint does."""

from __future__ import annotations


def is_misprint(value: float, step: float | None, other: float, other_step: float | None) -> bool:
    """Whether two figures, as printed, differ by one digit, by two digits changed over, or by one digit too many.

    Parameters
    ----------
    value, other : the figures, in one unit.
    step, other_step : size of their last printed digits in that unit; unknown or unequal steps say nothing.
    """
    if not step or not other_step or abs(step / other_step - 1) > 1e-3:
        return False
    short, long = sorted((str(round(value / step)), str(round(other / other_step))), key=len)
    if len(short) == len(long):
        wrong = [i for i, (a, b) in enumerate(zip(short, long, strict=True)) if a != b]
        turned = (
            len(wrong) == 2
            and wrong[1] - wrong[0] == 1
            and short[wrong[0]] == long[wrong[1]]
            and short[wrong[1]] == long[wrong[0]]
        )
        return len(wrong) == 1 or turned
    return len(long) == len(short) + 1 and any(long[:i] + long[i + 1 :] == short for i in range(len(long)))
