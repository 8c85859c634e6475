"""Values of the command line: amounts with their units, codes in usual words."""

from __future__ import annotations

_BARE = {
    "power": ("power", "hp", "kW", 1e-3),
    "boost": ("pressure", "psi", "kPa", 1e-3),
    "ambient": ("pressure", "kPa", "kPa", 1e-3),
    "altitude": ("length", "ft", "m", 1.0),
    "displacement": ("volume", "cu in", "cc", 1e6),
}


def read_amount(text: str, what: str, units: str) -> float:
    """A value of the command line in kW, kPa, m or cc; boost as gauge, air pressure as absolute.

    Raises
    ------
    UnitProblem
        It is no number, its unit is of another quantity, or absolute pressure was given for boost.
    """
    from pipeline.errors import UnitProblem
    from pipeline.units import parse_quantity

    quantity, us, si, to_si = _BARE[what]
    value, unit = parse_quantity(text, quantity, si if units == "si" else us)
    wanted = {"boost": "gauge", "ambient": "absolute"}.get(what)
    if wanted is not None and unit.pressure_kind not in (None, wanted):
        raise UnitProblem(
            f"{text!r} is {unit.pressure_kind} pressure; the {what} is {wanted} pressure, such as "
            f"{'8psi' if wanted == 'gauge' else '101.3kPa'}. Give it as {wanted} pressure."
        )
    return value * (unit.factor * to_si)


def read_code(field: str, text: str | None) -> str | None:
    """A code of the dictionary from usual words.

    Raises
    ------
    RequestProblem
        The words name none of the field's codes.
    """
    from pipeline.codes import recognise_code
    from pipeline.errors import RequestProblem
    from pipeline.fields import fields_of

    if text is None:
        return None
    code, known = recognise_code(field, text), next(one.codes for one in fields_of("run") if one.name == field)
    allowed = [one for one in known if one != "unstated" and (field != "induction" or one != "none")]
    if code not in allowed:
        words = ", ".join(one.replace("_", " ") for one in allowed)
        raise RequestProblem(
            f"The {field.replace('_', ' ')} {text!r} is not known; it may be {words}. Give one of them, or leave it out."
        )
    return code
