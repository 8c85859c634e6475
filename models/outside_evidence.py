"""In which ways an engine lies outside what the study has seen, in words, and how much wider its ranges become for it.

The widening is a stated rule, not a measured one: nobody has tested what lies there. A figure beyond what was seen widens the half
width by a quarter up to a tenth beyond, by half up to a quarter beyond, and doubles it further out; so does a code: by half where no
build shares it, and twice for a pair of induction and cooling never seen. Factors multiply, up to 4.
"""

from __future__ import annotations

from models.engine_columns import figure_of
from models.estimate_answers import OutsideItem
from models.estimate_records import CODES, ClassEvidence, EngineRequest, Evidence

MOST_WIDENED = 4.0

#: Boost readings differ by the gauge.
REACH = 1.03

#: A figure is beyond only when further than rounding takes it.
_ROUNDING = 1e-9

_STEPS = ((1.10, 1.25), (1.25, 1.5))
_FARTHEST = 2.0
_NEVER_SEEN = 1.5
_PAIR_NEVER_SEEN = 2.0

#: Span -> figure of the request, code of the item, unit, and the share by which it may pass the end of what was seen.
_FIGURES = (
    ("na_power_kw", "na_power", "na_power", "kW", 1.0),
    ("specific_output", "specific_output", "specific_output", "kW/L", 1.0),
    ("displacement_cc", "displacement_cc", "displacement", "cc", 1.0),
    ("compression_ratio", "compression_ratio", "compression_ratio", "1", 1.0),
    ("ambient_kpa", "ambient_kpa", "ambient", "kPa", 1.02),
    ("octane_ron", "octane_ron", "octane_ron", "1", 1.0),
    ("octane_aki", "octane_aki", "octane_aki", "1", 1.0),
)  # fmt: skip


def find_outside(evidence: Evidence, request: EngineRequest) -> tuple[OutsideItem, ...]:
    """Ways in which the engine lies outside the evidence; none inside."""
    items = _boost_items(evidence, request)
    spans = {span.name: span for span in evidence.spans}
    for name, figure, code, unit, reach in _FIGURES:
        value = figure_of(request, figure)
        if value is None or name not in spans:
            continue
        span = spans[name]
        item = _beyond(code, value, span.low / reach, span.high * reach, (span.low, span.high), unit, span.builds)
        items += [item] if item is not None else []
    for name in CODES:
        level, seen = getattr(request, name), evidence.levels.get(name, {})
        if level is not None and seen and level not in seen:
            items.append(OutsideItem(name, level, None, "", None, 0, _NEVER_SEEN))
    if _pair_is_new(evidence, request):
        items.append(OutsideItem("class", f"{request.induction}, {request.charge_cooling}", None, "", None, 0, _PAIR_NEVER_SEEN))
    return tuple(items)


def widening(items: tuple[OutsideItem, ...]) -> float:
    """Factor on the half widths of the ranges."""
    factor = 1.0
    for item in items:
        factor *= item.widens
    return min(factor, MOST_WIDENED)


def class_of(evidence: Evidence, request: EngineRequest) -> ClassEvidence | None:
    """What was tested of the request's pair of induction and cooling; None where it states no pair, or a new one."""
    pair = (request.induction, request.charge_cooling)
    return next((one for one in evidence.classes if (one.induction, one.charge_cooling) == pair), None)


def highest_ratio(evidence: Evidence, request: EngineRequest) -> float:
    """Highest boost ratio tested: of the engine's class, or of those classes that what it states leaves open; else of the study."""
    fits = [
        one.highest_boost_ratio
        for one in evidence.classes
        if request.induction in (None, one.induction) and request.charge_cooling in (None, one.charge_cooling)
    ]
    return max(fits) if fits else next((span.high for span in evidence.spans if span.name == "boost_ratio"), 0.0)


def _boost_items(evidence: Evidence, request: EngineRequest) -> list[OutsideItem]:
    """Boost below the least of the study or above the most of its class, both at the request's air."""
    span = next((span for span in evidence.spans if span.name == "boost_ratio"), None)
    if span is None:
        return []
    own = class_of(evidence, request)
    high, builds = highest_ratio(evidence, request), own.builds if own else span.builds
    ambient = request.ambient_kpa
    ends = (span.low * ambient, high * ambient)
    item = _beyond("boost", request.boost_kpa, ends[0] / REACH, ends[1] * REACH, ends, "kPa", builds)
    return [item] if item is not None else []


def _beyond(
    code: str, value: float, low: float, high: float, seen: tuple[float, float], unit: str, builds: int
) -> OutsideItem | None:
    is_above = value > high * (1 + _ROUNDING)
    if not is_above and value >= low * (1 - _ROUNDING):
        return None
    limit = seen[1] if is_above else seen[0]
    factor = value / limit if is_above else limit / value
    return OutsideItem(code, value, limit, unit, is_above, builds, _widens(code, factor, is_above))


def _widens(code: str, factor: float, is_above: bool) -> float:
    """By how much; below the least boost there is less to be wrong about, since the gain itself shrinks."""
    if code == "boost" and not is_above:
        return 1.0
    return next((widens for end, widens in _STEPS if factor <= end), _FARTHEST)


def _pair_is_new(evidence: Evidence, request: EngineRequest) -> bool:
    if request.induction is None or request.charge_cooling is None or class_of(evidence, request) is not None:
        return False
    seen = evidence.levels
    known = request.induction in seen.get("induction", {}) and request.charge_cooling in seen.get("charge_cooling", {})
    return known and bool(evidence.classes)


# --- words --------------------------------------------------------------------------------------------------------------

_SAID = {
    "na_power": ("made {more} than {limit:.0f} kW without boost", "this one makes {yours:.0f} kW"),
    "boost": ("of its kind was tested {above} {limit:.1f} kPa boost in such air", "{yours:.1f} kPa is asked about"),
    "specific_output": ("made {more} than {limit:.0f} kW a litre", "this one makes {yours:.0f} kW a litre"),
    "displacement": ("has {more} than {limit:.0f} cc", "this one has {yours:.0f} cc"),
    "compression_ratio": ("has a compression ratio {above} {limit:.1f}", "this one has {yours:.1f}"),
    "ambient": ("was tested in air {above} {limit:.1f} kPa", "this one runs in {yours:.1f} kPa"),
    "octane_ron": ("ran on fuel {above} {limit:.0f} RON", "this one runs on {yours:.0f} RON"),
    "octane_aki": ("ran on fuel {above} {limit:.0f} AKI", "this one runs on {yours:.0f} AKI"),
}


def say_outside(item: OutsideItem) -> str:
    """One sentence on one way of lying outside; figures in kW, kPa and cc."""
    wider = f" The ranges are {item.widens:g} times as wide for it." if item.widens > 1 else ""
    if item.code not in _SAID:
        words = str(item.yours).replace("_", " ")
        what = "the pair of induction and cooling" if item.code == "class" else item.code.replace("_", " ")
        return f"No build in the study has {what} {words}: the estimate is that of other kinds.{wider}"
    theirs, yours = _SAID[item.code]
    more, above = ("more", "above") if item.is_above else ("less", "below")
    filled = {"more": more, "above": above, "limit": item.limit, "yours": item.yours}
    return f"No build in the study {theirs.format(**filled)}; {yours.format(**filled)}.{wider}"
