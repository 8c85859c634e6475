"""What speaks against a simple answer, in sentences: deviators, selection, other choices; and how the rules of thumb fared."""

from __future__ import annotations

from models.results import StudyResults
from reports.driver_words import level_words
from reports.numbers import MINUS, THIN, US, InBothUnits, count_of, in_both, show_estimate, write_count, write_number
from reports.sentences import Evidence, evidence_against
from reports.sentences_effects import same

#: Verdict -> how a count of it is said.
_FARED = {
    "holds": "hold", "holds with a lean": "hold with a lean", "does not hold": "do not hold", "cannot tell yet": "cannot be told yet",
}  # fmt: skip


def _percent(share: float, decimals: int = 0) -> str:
    return f"{write_number(100 * share, decimals)}{THIN}%"


# --- deviators ----------------------------------------------------------------------------------------------------------


def say_deviators(results: StudyResults) -> InBothUnits:
    """How many builds are unlike their peers, and what such a list is worth."""
    answers = results.deviators
    if answers is None:
        return same("Which builds depart from what is expected was not asked.")
    if answers.why:
        return same(f"Which builds depart cannot be told yet. {answers.why}")
    few = answers.unlike_peers_count
    found = f"{write_count(few) if few else 'None'} of {count_of(answers.tested, 'build')} {'is' if few == 1 else 'are'} unlike"
    note = f" About {_percent(answers.false_discovery_rate)} of such a list may be false alarms." if few else ""
    return same(f"{found} other builds of the same kind, beyond what spread and measurement explain.{note}")


def say_breakers(results: StudyResults) -> InBothUnits:
    """How many builds break the rule by more than the margin, by both counts."""
    answers = results.deviators
    if answers is None or answers.why:
        return say_deviators(results)
    return same(
        f"{write_count(answers.breaks_rule_count)} of {count_of(answers.tested, 'build')} break the rule by more than 10{THIN}%, "
        f"{write_count(answers.breaks_rule_strict_count)} of them by the strict count, which trusts nothing but the build's own runs. "
        "The wider count also uses how builds in general are spread."
    )


# --- selection ----------------------------------------------------------------------------------------------------------


def say_withheld(results: StudyResults) -> InBothUnits:
    """The average if builds had gone unpublished; a range of what-ifs, never a corrected figure."""
    answers, mean = results.selection, results.rule_ratio.value
    if answers is None:
        return same("Whether the sample looks picked was not asked.")
    used = [line for line in answers.lines if line.fits]
    if not used or answers.lowest is None or mean is None:
        return same("Published results lean to the good ones; these records cannot show by how much.")
    shares, cuts = [line.share_withheld for line in used], [line.cut for line in used]
    return same(
        f"If {_percent(min(shares))} to {_percent(max(shares))} of the builds below {_percent(min(cuts))} to {_percent(max(cuts))} of the "
        f"rule had gone unpublished, the average over all builds could be as low as {_percent(answers.lowest, 1)} instead of "
        f"{_percent(mean, 1)}. These are what-ifs, not corrections."
    )


def say_funnel(results: StudyResults) -> InBothUnits | None:
    """What the funnel shows, with its confounder named; None without a test."""
    answers = results.selection
    tests = () if answers is None else answers.tests
    test = next((test for test in tests if test.name == "standard_error"), None)
    if test is None or test.p_value is None:
        return None
    leans = evidence_against(test.slope, 0.0) is Evidence.CLEAR
    found = "Builds that are less well known read differently" if leans else "Builds that are less well known show no clear lean"
    return same(
        f"{found} (p = {write_number(test.p_value, 3)}). That says nothing about picking: what makes a build well known here is "
        "boost and the number of runs, and picking acts on the result."
    )


def say_kinds(results: StudyResults) -> InBothUnits | None:
    """Kinds of source whose builds differ from all others: the only real evidence; None where none can be compared."""
    kinds = () if results.selection is None else results.selection.kinds
    if not kinds:
        return None
    clear = [kind for kind in kinds if evidence_against(kind.difference, 0.0) is Evidence.CLEAR]
    if not clear:
        return same("No kind of source stands apart from the others beyond chance.")
    parts = []
    for kind in clear:
        shown = show_estimate(kind.difference, US, share=True, reference=0.0)
        parts.append(f"{level_words('medium', kind.medium)} ({shown.low} to {shown.high} points)")
    return same(f"Standing apart from all other kinds: {', '.join(parts)}. Kinds differ in what they test, too.")


# --- other choices ------------------------------------------------------------------------------------------------------


def say_publishers(results: StudyResults) -> InBothUnits:
    """How far one publisher alone can move the average."""
    answers = results.one_publisher_out
    if answers is None:
        return same("Leaving publishers out one at a time was not tried.")
    if answers.lowest is None or answers.highest is None:
        return same(f"No publisher can be left out. {answers.why or ''}".strip())
    return same(
        f"Leaving out any one of {count_of(len(answers.lines), 'publisher')} leaves the average between "
        f"{_percent(answers.lowest, 1)} and {_percent(answers.highest, 1)} of the rule."
    )


def say_cancelling(results: StudyResults) -> InBothUnits | None:
    """The two errors that cancel; None where they were not worked out."""
    answers = results.cancelling_errors
    if answers is None or answers.ambient is None or answers.curvature is None or answers.together is None:
        return None
    ambient, curvature, together = (_signed(x) for x in (answers.ambient, answers.curvature, answers.together))
    opposed = answers.ambient * answers.curvature < 0
    verdict = (
        "They pull in opposite directions, so a figure that looks right may hold both errors; mending only one can make it worse."
        if opposed
        else "They do not pull against each other in these records."
    )

    def write(air: str) -> str:
        return (
            f"Taking {air} for every site's air moves the average by {ambient} points, a straight line instead of a curve by "
            f"{curvature}, both at once by {together}. {verdict}"
        )

    return in_both(lambda system: write("14.7 psi" if system.code == "us" else "101 kPa"))


def _signed(shift: float) -> str:
    shown = write_number(100 * shift, 1)
    return shown if shown.startswith(MINUS) else "+" + shown


# --- rules of thumb -----------------------------------------------------------------------------------------------------


def say_rules(results: StudyResults) -> InBothUnits:
    """How many rules of thumb came out how."""
    counts = {verdict: sum(rule.verdict == verdict for rule in results.rules) for verdict in _FARED}
    known = [f"{write_count(count)} {_FARED[verdict]}" for verdict, count in counts.items() if count]
    if not known:
        return same("No rule of thumb has been tested on these records.")
    return same(f"Of {count_of(len(results.rules), 'rule')} of thumb: {', '.join(known)}.")
