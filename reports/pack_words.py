"""Words of an article pack that are not findings: the method in two lengths, limits and cautions, glossary."""

from __future__ import annotations

from dataclasses import dataclass

from models.offset_cautions import BOOST_CAUTIONS, COMPRESSOR_CAUTION
from reports.numbers import UnitSystem, count_of, write_count

#: Most words of the two method boxes.
SHORT, LONG = 150, 600


@dataclass(frozen=True, slots=True)
class Basis:
    """What a pack rests on, for its method: counts, and what else its method names."""

    about: str
    builds: int
    runs: int
    publishers: int
    pairs: int = 0
    folds: int = 0
    rules: int = 0
    refused: int = 0


def _rests(basis: Basis) -> str:
    if basis.about == "parts":
        return f"{count_of(basis.pairs, 'before/after pair')} by {count_of(basis.publishers, 'publisher')}"
    return f"{count_of(basis.runs, 'run')}, boosted and not, on {count_of(basis.builds, 'build')} by {count_of(basis.publishers, 'publisher')}"


def short_method(basis: Basis, system: UnitSystem) -> str:
    """The method in at most 150 words, for a box."""
    rule = _rule(system)
    if basis.about == "parts":
        own = (
            "Each pair is one engine before and after a named change. The gain is a share of the power before, with an interval from the "
            "repeatability of the dyno. Gains are pooled over engines and publishers; the range for one engine more adds how engines differ. "
            "Pairs under boost tell how a gain grows with boost. Offset boost is the extra boost that gives the same power, read from the "
            "measured curve of builds of one kind."
        )
    elif basis.about == "engine":
        own = (
            "The estimate is a curve of power against boost, fitted to all builds, that takes induction, cooling and what else is known into "
            f"account. Its ranges were checked on engines it had not seen: the builds were dealt into {count_of(basis.folds, 'part')} and each "
            "part was predicted from the others."
        )
    elif basis.about == "claims":
        own = (
            f"{count_of(basis.rules, 'rule')} of thumb were written down with a tolerance before looking at the figures: what the trade would "
            "still call right. A rule with a band holds where the whole 90 % interval lies inside it, and does not where it lies "
            "outside; all else cannot be told yet."
        )
    else:
        own = (
            "For each build the gain over its own unboosted run is divided by what the rule predicts at the air pressure of the day. These "
            "shares are averaged over builds and publishers by a model that separates measurement error from real differences. The average has "
            "a 95 % interval; the next engine a much wider range."
        )
    return f"{_rests(basis)}, collected from published dyno tests. {rule} {own} Rows that contradict themselves were refused, each with its reason."


def _rule(system: UnitSystem) -> str:
    unit, pressure = ("pound of boost (psi)", "14.7") if system.code == "us" else ("kilopascal of boost", "101.3")
    return f"The rule under test: each {unit} is worth the power without boost, divided by {pressure}."


_COLLECTED = (
    "**Where the figures come from.** {rests}, contributed from published tests and kept as received. Every file is read as text; units and "
    "correction standards are recognised from headings or stated by the contributor, never guessed. Rows that contradict themselves (power that "
    "is not torque times speed, an impossible sign, an unknown unit) are refused with a reason that can be looked up; unlikely but possible "
    "ones are kept and flagged. A test published twice counts once."
)
_COMPARED = (
    "**What is compared.** Only an engine with itself: a boosted run with a run of the same build without boost, on the same power "
    "correction where the records allow it. Ratios are studied instead of power, since errors that both runs share, such as the dyno's own scale, "
    "cancel. Boost is divided by the air pressure of the day, so that altitude drops out."
)
_PAIRED = (
    "**What is compared.** Only an engine with itself: a run after a named change with a run before it, on the same power correction where the "
    "records allow it. Gains are studied as a share of the power before, since errors that both runs share, such as the dyno's own scale, cancel."
)
_LONG_OWN: dict[str, tuple[str, ...]] = {
    "study": (
        "**How the average is made.** {rule} The share of the rule is the gain ratio over the boost ratio, taken from no boost to 10 psi (69 kPa). "
        "One model fits all runs at once, with a slope and a bend for each build, scatter between builds and between publishers, and the error of "
        "power and boost readings. Publishers, not runs, decide how sure the average is, because a publisher's builds share a dyno, a taste and a "
        "way of writing tests up.",
        "**What the ranges mean.** The 95 % interval of the average is where the average over builds like these is to be expected. The range for the "
        "next engine adds how far builds differ, and is several times as wide. A sentence says \u201cshows\u201d only where an interval of at least "
        "90 % lies wholly on one side; otherwise it leans, or says that it cannot tell.",
        "**How it was tested.** The same analysis was run on simulated studies whose truth was known, to see how often its intervals hold. The average "
        "was worked out again under other reasonable choices, and without each publisher in turn. What physics expects of charge heating, friction "
        "and drive power is set beside it and was not used in the fit.",
    ),
    "parts": (
        "**How gains are made.** The gain of a pair is the power after over the power before, less one. Its interval comes from how well runs repeat, "
        "as the records themselves show. Gains of one kind of part are averaged over engines and publishers; parts that were changed together stay "
        "together and are never split. A pair whose boost moved is brought back to equal boost by the average curve, or left out.",
        "**Under boost.** Growth is the power to which the boosted-to-unboosted ratio has to be raised: at one a gain is multiplied in full, at nought "
        "the same power is added with or without boost. Engines on which a part was tested both ways carry most of the answer.",
        "**Part or boost.** {rule} Offset boost is the extra boost that gives the same power as a part, read from the curve of builds of one kind, "
        "with the range for one engine. Where the curve cannot bound it, no figure is given.",
        "**What the ranges mean.** The interval of the mean says how well the average engine is known; the range for one engine more what the next one "
        "may gain. A sentence says that a part gives something only where an interval of at least 90 % lies above nothing.",
    ),
    "engine": (
        "**How the estimate is made.** {rule} A curve of power against boost is fitted to all builds, with terms for induction, cooling and what else "
        "enough records state. Facts that are not stated are taken at their average, and the range widens for it. The most similar builds are set "
        "beside the answer, named.",
        "**What the ranges mean.** Four engines in five like those tested should fall inside the 80 % range, nineteen in twenty inside the 95 % range. "
        "Outside the evidence (more boost, a larger engine, another kind than was tested) the range is widened and the answer says so.",
        "**How it was tested.** The engines were dealt into {folds}; each part was predicted by a fit that had not seen it. The pack prints how often "
        "the ranges held, for each group, also where they held too seldom, and how simpler ways to predict did on the same engines.",
    ),
    "claims": (
        "**How a rule is judged.** {rule} It is one of {rules} that are judged here. Each is written down with a tolerance, which is what the trade would "
        "still call right and a judgement of this project, and with the figure of the study that bears on it. A rule that names a band holds where "
        "the whole 90 % interval of the figure lies inside, which is the usual test of equivalence; it does not hold where the interval lies outside. "
        "A rule that names a side needs the interval on that side.",
        "**What cannot be told.** Where the interval reaches across the end of the band, or too few records bear on the question, the verdict is that it "
        "cannot be told yet, with the test that would tell. That is no verdict against the rule.",
        "**What a verdict does not say.** A rule that holds on average may fail on many single engines: builds differ far more than the average is "
        "uncertain. Print the spread beside the verdict.",
    ),
}
_LONG_END = (
    "**What it cannot see.** Builds that failed, or disappointed, are seldom published. Builds that differ in one thing differ in others too, so that "
    "no comparison between them says what a change would do. Records seldom state temperatures, exhaust pressure or the tune.",
    "**Where to look it up.** Each sentence names the stored result that it comes from and the records behind it; the same data and version give the "
    "same pack, byte for byte.",
)


def long_method(basis: Basis, system: UnitSystem) -> str:
    """The method in at most 600 words, in paragraphs."""
    filled = {
        "rests": _rests(basis), "rule": _rule(system), "folds": count_of(basis.folds, "part"),
        "rules": write_count(basis.rules) + " rules of thumb",
    }  # fmt: skip
    compared = _PAIRED if basis.about == "parts" else _COMPARED
    paragraphs = [_COLLECTED, compared, *_LONG_OWN[basis.about], *_LONG_END]
    return "\n\n".join(text.format(**filled) for text in paragraphs)


CAUTIONS: tuple[str, ...] = (
    *BOOST_CAUTIONS,
    "Use ventilation and fire protection at the dyno. Emissions and road rules are local law; follow the limits of the engine's and the "
    "compressor's makers, and licensed practice.",
    COMPRESSOR_CAUTION,
    "Never seek a baseline without boost by unplugging a boost-control line: on most wastegates that removes the limit.",
    "Nothing here proposes more boost than the evidence of its class.",
)

LIMITS: tuple[str, ...] = (
    "The records are a sample of what was published, not of engines. Nothing says how many tests were never printed.",
    "Differences between builds are not effects: whoever fits a cooler often runs another fuel and another tune too.",
    "An interval holds for engines like those tested. Beyond the boost, size and kind that were tested it says nothing.",
    "Power figures come from many dynos. Ratios within a build survive that; powers of two publishers cannot be compared.",
    "Where the air pressure was not recorded, sea level or the stated altitude was taken.",
)

#: Term -> meaning, in the order of the alphabet.
GLOSSARY: dict[str, str] = {
    "ambient pressure": "Air pressure at the dyno, absolute; not the figure reduced to sea level that weather reports give.",
    "baseline": "The run of the same build without boost.",
    "boost": "Gauge pressure in the intake manifold at the speed of peak power: pressure above that of the air outside.",
    "boost ratio": "Boost divided by ambient pressure. At sea level 14.7 psi (101.3 kPa) is a boost ratio of one.",
    "build": "One engine in one state of tune apart from boost.",
    "charge cooling": "Cooling of the compressed air before the engine, by outside air or by water.",
    "confidence interval": "Range in which the average is to be expected; it narrows with more builds and publishers.",
    "gain": "What is made over the baseline, or after a change over before, as power or as a share.",
    "growth under boost": "How a part's gain scales with boost: 1, multiplied in full; 0, the same power as without boost.",
    "leaning": "The best value stands to one side, but the interval reaches across: not settled.",
    "offset boost": "Extra boost that gives the same power as a change. Arithmetic, not advice.",
    "point of the rule": "One hundredth of what the rule says. From 90 % to 85 % is five points.",
    "psi": "Pound per square inch, the trade's unit of boost. 1 psi is 6.895 kPa; 14.7 psi is one atmosphere.",
    "range for the next engine": "Where a build that was not tested may land. It does not narrow much with more data: builds differ.",
    "rule, the": "Each psi of boost is worth the power without boost, divided by 14.7.",
    "share of the rule": "Measured gain over what the rule predicts. 100 % is the rule exactly. Also called the rule ratio.",
    "spread between builds": "Standard deviation of builds' true shares, with measurement error taken out.",
    "yield": "Gain per unit of boost (hp per psi, kW per kPa), referred to sea level.",
}
