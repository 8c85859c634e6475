"""Captions of the charts of margin, size, drivers, physics, deviators, selection and other choices."""

from __future__ import annotations

from models.results import StudyResults
from reports.captions import Caption, make_caption
from reports.numbers import US, count_of, show_estimate, write_number
from reports.sentences_doubt import say_breakers, say_cancelling, say_deviators, say_kinds, say_publishers, say_withheld
from reports.sentences_effects import say_budget, say_drivers, say_elasticity, say_equivalence, say_naive, say_physics

AT_THE_EDGE = "Marks at the edge stand beyond it."


def answer_captions(results: StudyResults) -> dict[str, Caption]:
    """The captions by chart; the description for screen readers says the finding, which the picture shows."""
    return {
        **_effects(results),
        **_deviators(results),
        **_doubts(results),
    }


def _effects(results: StudyResults) -> dict[str, Caption]:
    margin = "10" if results.equivalence is None else write_number(100 * results.equivalence.margin, 0)
    builds = count_of(len(results.units), "build")
    naive, budget = say_naive(results), say_budget(results)
    return {
        "within": make_caption(
            f"How many builds in a hundred follow the rule within {margin}\u202f%?",
            "One square is one build in a hundred. Full squares follow the rule at least that closely by the lower end of the range, "
            "half-strength ones may as well, faint ones do not. Measurement error is taken out.",
            lambda s: say_equivalence(results).in_system(s.code),
        ),
        "band": make_caption(
            "Does the average lie inside the band?",
            f"The band is the rule, give or take {margin}\u202f%. The rule counts as holding on average when the whole first interval "
            "lies inside. The last line shows why that says little about a single engine.",
            lambda s: say_equivalence(results).in_system(s.code),
        ),
        "size": make_caption(
            "Does the share of the rule change with the size of the engine?",
            f"One mark is one build. If a {{psi}} were worth the same share on every engine, the cloud would lie level. Each step on the "
            f"lower axis doubles the output. The band is the average with its interval. {AT_THE_EDGE}",
            lambda s: f"Scatter of {builds}: share of the rule against output. {say_elasticity(results).in_system(s.code)}",
        ),
        "naive": make_caption(
            "What is a correlation with output worth?",
            "The dot is the correlation in these records. The tick and its bar are what the same builds show with the relation "
            "taken out: mean and central 95\u202f% of many redrawn data sets. A dot on its bar shows nothing.",
            lambda s: naive.in_system(s.code) if naive else "No correlation was worked out.",
        ),
        "drivers": make_caption(
            "What moves a build's share of the rule?",
            "Solid: adjusted for the other drivers. Open, below: looked at alone. Coloured ones leave out zero, the dashed line. All are "
            "differences in points of the rule, with 95\u202f% intervals.",
            lambda s: say_drivers(results).in_system(s.code),
        ),
        "physics": make_caption(
            "What would charge heating, friction and drive power make of the rule?",
            "The bar is what a simple model of the charge expects of the class, over the range of what it has to assume. Marks are "
            f"builds. The number of builds stands beside the class. {AT_THE_EDGE}",
            lambda s: say_physics(results).in_system(s.code),
        ),
        "budget": make_caption(
            "How does the expectation come about?",
            "Each step moves the share from where the last one left it. Plain: little heat and exhaust pressure equal to boost; coloured: "
            "much heat and, with a turbine, exhaust pressure at twice the boost. All else stands in the middle of its range, at 10 psi "
            "(69 kPa). Points of the rule.",
            lambda s: budget.in_system(s.code) if budget else "No budget was worked out.",
        ),
    }


def _deviators(results: StudyResults) -> dict[str, Caption]:
    return {
        "deviators": make_caption(
            "Which builds are unlike their peers?",
            "Coloured: the build's own share with its interval. Bar: where a reading like it was to be expected from builds of its kind; "
            f"tick: what they show. Thin line: what physics expects. {AT_THE_EDGE}",
            lambda s: say_deviators(results).in_system(s.code),
        ),
        "breakers": make_caption(
            "Which builds break the rule?",
            f"The band is the rule within 10\u202f%. Full dots stand outside it by the strict count, open ones by the wider count; "
            f"the thin line is what physics expects. Those that stand out most are drawn, the table has all. {AT_THE_EDGE}",
            lambda s: say_breakers(results).in_system(s.code),
        ),
    }


def _doubts(results: StudyResults) -> dict[str, Caption]:
    kinds, cancelling = say_kinds(results), say_cancelling(results)
    mean = show_estimate(results.rule_ratio, US, share=True)
    return {
        "funnel": make_caption(
            "Is one side of the funnel empty?",
            "One mark is one build, the surest at the top; larger marks were tested at more boost, which makes them sure. "
            "A funnel with one side missing can mean picking, or only that boost was chosen by how engines took it.",
            lambda s: f"Scatter of builds by share of the rule and its standard error about the average of {mean.best}.",
        ),
        "withheld": make_caption(
            "What if builds that disappointed were never published?",
            "One line per cut. The further right, the larger the share of builds below the cut that is taken to be missing. The band is "
            "the average with its interval as it stands, with nothing missing.",
            lambda s: say_withheld(results).in_system(s.code),
        ),
        "kinds": make_caption(
            "Do kinds of source differ?",
            "Average share of the rule of the builds of each kind, with intervals. Only kinds with enough builds of several publishers.",
            lambda s: kinds.in_system(s.code) if kinds else "No kinds can be compared.",
        ),
        "publishers": make_caption(
            "Does one publisher carry the answer?",
            "The average without each publisher in turn. The band is the interval with all of them.",
            lambda s: say_publishers(results).in_system(s.code),
        ),
        "cancelling": make_caption(
            "Which two shortcuts cancel?",
            "Each arrow starts at the average of the main analysis and ends where the shortcut puts it. The band is the interval of the "
            "main analysis.",
            lambda s: cancelling.in_system(s.code) if cancelling else "The shortcuts were not worked out.",
        ),
    }


def diagnostic_captions(results: StudyResults) -> dict[str, Caption]:
    """Captions of the charts of the appendix."""
    diagnostics = None if results.drivers is None else results.drivers.diagnostics
    builds = "no builds" if diagnostics is None else count_of(diagnostics.shown, "build")
    red = "Coloured builds move the coefficients more than others do."
    return {
        "residuals": make_caption(
            "Do residuals spread evenly?",
            f"Observed less fitted share of the rule against the fitted one. {red}",
            lambda s: f"Scatter of residuals of {builds} over their fitted values.",
        ),
        "quantiles": make_caption(
            "Are residuals normal?",
            f"Residuals in standard errors against where a normal sample of this size would have them. {red}",
            lambda s: f"Quantiles of the residuals of {builds} against normal ones.",
        ),
        "influence": make_caption(
            "Does one build carry a contrast?",
            f"The larger the mark, the more the coefficients move without the build (Cook's distance). {red}",
            lambda s: f"Scatter of residuals of {builds} over leverage.",
        ),
    }
