"""How often ranges of offset boost hold the truth: on whole simulated studies, and on yields that are barely known.

    python tests/coverage/offset.py             100 studies a world, 4000 of each ratio, report to offset_report.md
    python tests/coverage/offset.py --quick     a first look, no report

Run from the top of the checkout. The target is .93 to .98.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))

from models.curvature import answer_curvature  # noqa: E402
from models.joint_fit import fit_joint  # noqa: E402
from models.offset_boost import answer_offset, extra_ratio, grown, power_multiple  # noqa: E402
from models.offset_curves import model_of  # noqa: E402
from models.offset_draws import standard_draws  # noqa: E402
from models.offset_records import Engine, Gain, Growth, OffsetModel, PowerCurve  # noqa: E402
from models.sample import choose_sample  # noqa: E402
from models.simulate import simulate_study  # noqa: E402
from models.simulate_truth import Truth  # noqa: E402
from models.simulate_worlds import WORLDS  # noqa: E402

STAMP = ("simulated", "0", "2026-01-01")
LOWEST, HIGHEST = 0.93, 0.98

#: Gain and yield (hp, hp per psi), their standard errors, degrees of freedom (statistics of a ratio, worked cases).
RATIO_CASES: dict[str, tuple[float, float, float, float, int]] = {
    "well known": (30, 27, 4, 1, 20),
    "gain about nothing": (3, 27, 4, 1, 20),
    "weak yield": (30, 27, 4, 8, 8),
    "weaker yield": (30, 10, 4, 3.5, 20),
    "untested engine": (30, 27, 4, 2.7, 60),
}


@dataclass(frozen=True)
class Coverage:
    """Share of ranges that hold the truth (an end that is not given holds all beyond), and the share without an upper end."""

    what: str
    share: float
    error: float
    open_ended: float
    ranges: int


def _holds(estimate, truth: float) -> bool:
    low = -np.inf if estimate.low is None else estimate.low
    high = np.inf if estimate.high is None else estimate.high
    return bool(low <= truth <= high)


def _of_study(truth: Truth, seed: int, growth: float, engines: int) -> dict[str, list[tuple[bool, bool]]]:
    """One study, and what its ranges say of engines that it has not seen."""
    drawn = simulate_study(truth, seed)
    sample = choose_sample(drawn.runs, drawn.builds)
    sd = answer_curvature(fit_joint(sample.runs, sample.units)).within_builds_sd
    model = model_of(sample, level=0.95, curvature_sd=sd, tested=(), stamp=STAMP, invented=True)
    other = simulate_study(replace(truth, builds=engines, publishers=engines), seed + 700_000)
    kinds = (
        other.runs.filter(other.runs["role"] == "boosted").unique("build_key").select("build_key", "induction", "charge_cooling")
    )
    rng = np.random.default_rng([seed, 5])
    said: dict[str, list[tuple[bool, bool]]] = {"from no boost": [], "at boost": [], "at boost, power there measured": []}
    for row in other.build_truth.join(kinds, on="build_key").sort("build_key").iter_rows(named=True):
        s, q, boost = row["true_rule_ratio"], row["true_curvature"], float(rng.uniform(35.0, 90.0))
        x, share, sd_gain, sd_growth = boost / 100.0, float(rng.uniform(0.03, 0.15)), 0.01, 0.15
        multiple = power_multiple(s, q, x)
        made = row["true_power_kw"] * multiple * (1 + model.figure_rel_sd * rng.standard_normal())
        gain = Gain(max(share + sd_gain * rng.standard_normal(), 1e-3), sd_gain)
        known = Growth(growth + sd_growth * rng.standard_normal(), sd_growth, is_measured=True)
        engine = Engine(row["true_power_kw"], 100.0, boost, None, row["induction"], row["charge_cooling"])
        plain = answer_offset(model, engine, gain, known)
        own = answer_offset(model, replace(engine, made_kw=max(made, 1.01 * engine.na_kw)), gain, known)
        still = 100.0 * extra_ratio(share, s, q, 0.0)
        boosted = 100.0 * extra_ratio(grown(share, multiple, growth), s, q, x)
        for name, estimate, right in (
            ("from no boost", plain.at_no_boost, still), ("at boost", plain.at_boost, boosted),
            ("at boost, power there measured", own.at_boost, boosted),
        ):  # fmt: skip
            said[name].append((_holds(estimate, right), estimate.high is None))
    return said


def whole_studies(world: str, studies: int, growth: float = 0.7, engines: int = 40) -> list[Coverage]:
    """Coverage of new engines' ranges over studies of one world."""
    each = [_of_study(replace(WORLDS[world], builds=100), seed, growth, engines) for seed in range(studies)]
    found = []
    for name in each[0]:
        by_study = [np.mean([hit for hit, _ in one[name]]) for one in each]
        is_open = float(np.mean([is_open for one in each for _, is_open in one[name]]))
        error = float(np.std(by_study, ddof=1) / len(by_study) ** 0.5)
        found.append(Coverage(f"{world}: {name}", float(np.mean(by_study)), error, is_open, studies * engines))
    return found


def _mean_engine(slope: float, var_slope: float, freedom: int, curved: bool) -> OffsetModel:
    curve = PowerCurve(
        None, None, slope, -0.03 if curved else 0.0, var_slope, 0.0004 if curved else 0.0, 0.0, 0.0, freedom, 100, 400, freedom + 1, 100,
        None if curved else "The fit was asked for without curvature.",
    )  # fmt: skip
    from scipy.stats import t

    return OffsetModel(*STAMP, True, (curve,), (), 0.022, 1.4, 0.95, float(t.ppf(0.975, freedom)), standard_draws(freedom))


def ratio_case(name: str, studies: int, curved: bool) -> Coverage:
    """Coverage where gain and yield are drawn with stated errors: by Fieller, or by draws with curvature."""
    gain, per_psi, sd_gain, sd_yield, freedom = RATIO_CASES[name]
    na, psi = 400.0, 6.894757293168361
    to_slope = 101.325 / psi / na
    rng = np.random.default_rng([freedom, int(10 * gain), curved])
    model = _mean_engine(1.0, 1.0, freedom, curved)
    hits, opened, asked = 0, 0, 0
    q = -0.03 if curved else 0.0
    right = 101.325 * extra_ratio(gain / na, per_psi * to_slope, q, 0.0)
    for _ in range(studies):
        g = gain + sd_gain * rng.standard_normal()
        s = (per_psi + sd_yield * rng.standard_normal()) * to_slope
        var = (sd_yield * to_slope) ** 2 * rng.chisquare(freedom) / freedom
        q_hat = q + 0.02 * rng.standard_normal() if curved else 0.0
        if g <= 0:  # refused: there is nothing to offset
            continue
        curve = replace(model.curves[0], slope=s, var_slope=var, curvature=q_hat)
        estimate = answer_offset(
            replace(model, curves=(curve,)), Engine(na * 0.7457, 101.325), Gain(g / na, sd_gain / na)
        ).at_no_boost
        asked, hits, opened = asked + 1, hits + _holds(estimate, right), opened + (estimate.high is None)
    share = hits / asked
    return Coverage(
        f"{name}, {'draws' if curved else 'Fieller'}", share, (share * (1 - share) / asked) ** 0.5, opened / asked, asked
    )


HEAD = f"""# Coverage of the ranges of offset boost

Written by `python tests/coverage/offset.py`. Share of 95 % ranges that hold the truth; the target is {LOWEST} to {HIGHEST}. An end that
is not given ("not bounded by these data") holds all beyond it. The worlds ask engines that the study has not seen; gains carry a
standard error of 1 % of output, the growth under boost (true value 0.7) one of 0.15.
"""


def main() -> None:
    quick = "--quick" in sys.argv
    lines = [HEAD, "| ranges | coverage | Monte Carlo error | without an upper end | ranges |", "|---|---:|---:|---:|---:|"]

    def add(one: Coverage) -> None:
        lines.append(f"| {one.what} | {one.share:.3f} | {one.error:.3f} | {one.open_ended:.3f} | {one.ranges} |")
        print(lines[-1], flush=True)

    for world in ("base", "few_publishers", "heavy_tails"):
        for one in whole_studies(world, 20 if quick else 100):
            add(one)
    for name in RATIO_CASES:
        for curved in (False, True):
            add(ratio_case(name, 500 if quick else 4000, curved))
    if not quick:
        Path(__file__).with_name("offset_report.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
