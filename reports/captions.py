"""What each chart says, in words: a question as its heading, what to see, and a description for screen readers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from models.results import FlowStep, StudyResults
from reports.labels import clean_text
from reports.numbers import InBothUnits, UnitSystem, count_of, in_both, show_estimate, show_nominal


@dataclass(frozen=True, slots=True)
class Caption:
    """Heading, what to see, and a description that stands in for the picture."""

    question: InBothUnits
    see: InBothUnits
    description: InBothUnits


def make_caption(question: str, see: str, describe: Callable[[UnitSystem], str]) -> Caption:
    """A caption. The word ``{psi}`` in question and text becomes the unit of boost of each system."""
    texts = [in_both(lambda system, text=text: text.replace("{psi}", system.boost_word)) for text in (question, see)]  # type: ignore[misc]
    return Caption(texts[0], texts[1], in_both(describe))


def captions(results: StudyResults) -> dict[str, Caption]:
    """The captions of all charts of the study page, by chart."""
    builds = count_of(len(results.units), "build")

    def mean(system: UnitSystem) -> str:
        return show_estimate(results.rule_ratio, system, share=True).full

    def new(system: UnitSystem) -> str:
        return show_estimate(results.new_build_rule_ratio, system, share=True).range

    return {
        "spread": make_caption(
            "How much of the rule does each build give?",
            "One dot is one build. The wide bar is where the next engine may land, the narrow one how well the average is known; "
            "the dashed line is the rule. Open dots are uncooled builds. Dots at the edge stand beyond it.",
            lambda s: f"Dots of {builds} by their share of the rule. The average is {mean(s)}; a new build may give {new(s)}.",
        ),
        "yield": make_caption(
            "What is one {psi} worth on a bigger engine?",
            "One mark is one boosted run, referred to sea level. The dashed line is the rule: output over one "
            "atmosphere. The narrow band "
            "is the average with its interval, the wide band the range for the next engine. Bands are drawn for "
            "a boost of 10 psi (69 kPa).",
            lambda s: (
                f"Scatter of gain in {s.scales['yield'].unit} against output without boost in {s.scales['power'].unit} for "
                f"{count_of(len(results.runs), 'boosted run')}. Gain rises with output; the average is {mean(s)} of "
                "the rule's line."
            ),
        ),
        "gain": make_caption(
            "Does the last pound give as much as the first?",
            "One line is one build, from no boost to the highest that was tested. A line that bends below a "
            "straight one gave less with "
            "each step. Boost is divided by the day's air pressure and shown as if at sea level, so that altitude drops out.",
            lambda s: (
                f"Lines of power gained over the unboosted run against boost in {s.scales['boost'].unit} at sea "
                f"level, one for each of {builds}, "
                "with the rule as a straight line, the average curve and the range for a new build."
            ),
        ),
        "marginal": make_caption(
            "What does the next {psi} add at a boost already running?",
            "The slope of the average curve at four boosts, as a share of the rule, with intervals. The rule "
            "says the same at every boost.",
            lambda s: (
                "Dots with intervals: "
                + "; ".join(
                    f"at {show_nominal(p.boost_kpa, 'boost', s)} {show_estimate(p.estimate, s, share=True).full} of the rule"
                    for p in results.marginal_yield
                )
                + "."
            ),
        ),
        "builds": make_caption(
            "Which builds stand above and below?",
            "One row is one build, sorted within its class: its own estimate and interval to the reference boost "
            "of 10 psi (69 kPa). The small upright tick is "
            "the same build drawn towards its peers by what is known of the spread, the better guess where a build has few runs.",
            lambda s: f"Rows of {builds} in classes of induction and cooling, each with its share of the rule and an interval.",
        ),
        "sensitivity": make_caption(
            "Would another way of doing it change the answer?",
            "The average under each other reasonable choice, one line each. The band is the interval of the main analysis.",
            lambda s: (
                "Dots with intervals of the average share of the rule under "
                f"{count_of(len(results.sensitivity), 'choice')} of analysis."
            ),
        ),
        "flow": make_caption(
            "Where did the records go?",
            "Strong bars are what went on to the next step, faint ones what stayed behind and why. Nothing vanishes on the way.",
            lambda s: "Bars: " + "; ".join(_flow_words(step) for step in results.flow) + ".",
        ),
    }


def _flow_words(step: FlowStep) -> str:
    """One bar in words; what stayed behind has its reason."""
    reason = clean_text(step.reason, 160).rstrip(".")
    return f"{clean_text(step.step)} {step.count}" + (f" ({reason})" if reason else "")
