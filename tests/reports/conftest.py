"""Shared by the tests of the pages: a small invented study, a hostile one, and a Chromium that is offline."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from models.estimate import Estimate
from models.results import (
    BoostPoint,
    FlowStep,
    RuleVerdict,
    RunResult,
    SensitivityLine,
    SourceNote,
    StudyResults,
    UnitResult,
)

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
SEA = 101.325
PSI = 6.894757293168361
CLASS_MEANS = [
    ("turbocharger", "air_to_air", 0.93), ("turbocharger", "air_to_water", 0.95), ("turbocharger", "none", 0.81),
    ("centrifugal", "air_to_air", 0.87), ("centrifugal", "none", 0.77), ("positive_displacement", "air_to_water", 0.80),
    ("positive_displacement", "none", 0.66), (None, None, 0.9),
]  # fmt: skip


def make_estimate(value: float | None, half: float | None, builds: int = 118, runs: int = 312, unit: str = "1") -> Estimate:
    """An estimate that is symmetric about its value; without half-width it has no ends and says why."""
    if value is None or half is None:
        return Estimate(value, None, None, 0.95, unit, builds, runs, "Only one publisher has results; a second one is needed.")
    return Estimate(value, value - half, value + half, 0.95, unit, builds, runs)


def _unit(number: int, rng: np.random.Generator) -> tuple[UnitResult, list[RunResult]]:
    induction, cooling, mean = CLASS_MEANS[rng.choice(len(CLASS_MEANS), p=[0.34, 0.14, 0.1, 0.14, 0.08, 0.1, 0.07, 0.03])]
    ratio, na_power = mean + rng.normal(0, 0.08), float(np.exp(rng.uniform(np.log(60), np.log(620))))
    ambient = float(rng.choice([101.3, 99.8, 83.4], p=[0.6, 0.3, 0.1]))
    source = int(rng.integers(1, 15))
    unit_id = f"demo_{source:02d}|Invented Review {source}|Halden {number}#1"
    runs = []
    for level in sorted(rng.choice([4, 6, 8, 10, 12, 15, 18], size=int(rng.integers(1, 5)), replace=False)):
        boost = float(level) * PSI
        x = boost / ambient
        gain = float(ratio * x - 0.07 * x * (x - 10 / 14.7) + rng.normal(0, 0.02))
        run_yield = na_power * gain / boost * ambient / SEA
        runs.append(
            RunResult(
                f"demo_{source:02d}/engines.csv#{len(runs) + 2 + 5 * number}",
                unit_id,
                boost,
                x,
                gain,
                na_power * (1 + gain),
                run_yield,
            )
        )
    half = float(rng.uniform(0.04, 0.14))
    own = Estimate(float(ratio), float(ratio) - half, float(ratio) + half, 0.95, "1", 1, len(runs))
    pulled = float(0.3 * mean + 0.7 * ratio)
    unit = UnitResult(
        unit_id, unit_id, f"demo_{source:02d}", f"Invented Review {source}", f"Halden {number}", None, induction, cooling,
        "petrol", "crank" if rng.random() < 0.8 else "wheel", 
        str(rng.choice(["compressor_removed", "fitted_bypassed", "unstated"])),
        "same_session" if rng.random() < 0.7 else "same_engine", float(rng.choice([1600, 1998, 2500, 3500, 5700])), na_power,
        ambient, "recorded" if rng.random() < 0.7 else "assumed", max(run.boost_kpa for run in runs), len(runs), 1, own,
        Estimate(pulled, pulled - 0.8 * half, pulled + 0.8 * half, 0.95, "1", 1, len(runs)),
    )  # fmt: skip
    return unit, runs


def _curves() -> dict[str, tuple[BoostPoint, ...]]:
    boosts = [psi * PSI for psi in range(1, 21)]

    def gain(b: float) -> float:
        x = b / SEA
        return 0.9 * x - 0.07 * x * (x - 10 / 14.7)

    return {
        "mean_gain_ratio": tuple(BoostPoint(b, make_estimate(gain(b), 0.025 * b / SEA)) for b in boosts),
        "new_build_gain_ratio": tuple(BoostPoint(b, make_estimate(gain(b), 0.2 * b / SEA)) for b in boosts),
        "marginal_yield": tuple(
            BoostPoint(p * PSI, make_estimate(0.948 - 0.0095 * p, 0.02 + 0.0012 * p)) for p in (5, 10, 15, 20)
        ),
    }


SENSITIVITY = [
    ("Main analysis", 0.905, 0.024), ("14.7 psi for every site's air", 0.933, 0.025),
    ("Straight line, no curvature", 0.878, 0.022),
    ("14.7 psi and straight line", 0.908, 0.023), ("Stated ratings as baselines too", 0.912, 0.026),
    ("Baselines of the same specification too", 0.901, 0.024), ("Without wheel figures", 0.909, 0.027),
    ("Only recorded air pressure", 0.899, 0.031), ("Only with the compressor removed", 0.884, 0.036),
    ("Only cooled builds", 0.93, 0.021), ("Only builds with several boost levels", 0.903, 0.028),
]  # fmt: skip


def make_results(units: int = 118, seed: int = 7) -> StudyResults:
    """A study of invented builds, the same for the same seed."""
    rng = np.random.default_rng(seed)
    made = [_unit(number, rng) for number in range(1, units + 1)]
    all_runs = tuple(run for _, runs in made for run in runs)
    n, m = len(made), len(all_runs)
    return StudyResults(
        fingerprint="3f9a1c", version="0.1.0", made_on="2026-03-14", invented=True,
        rule_ratio=make_estimate(0.9053, 0.0241, n, m), between_builds_sd=Estimate(0.097, 0.081, 0.117, 0.95, "1", n, m),
        new_build_rule_ratio=make_estimate(0.9053, 0.201, n, m), curvature=make_estimate(-0.071, 0.031, n, m),
        curvature_within_builds=make_estimate(-0.066, 0.028, 60, 190), last_over_first=make_estimate(0.862, 0.058, n, m),
        notes=("Boost level is not confounded with yield: both estimates of the curvature agree.",),
        units=tuple(unit for unit, _ in made), runs=all_runs,
        flow=(
            FlowStep("rows read", 531, ""), FlowStep("refused", 38, ""), FlowStep("repeated", 9, ""), FlowStep("runs", 484, ""),
            FlowStep("no_baseline", 14, "The build has no run without boost."),
            FlowStep("throttled", 6, "The manifold was further below ambient pressure than an open throttle leaves it."),
            FlowStep("nitrous", 3, "Nitrous oxide was injected: its gain is not the gain of boost."),
            FlowStep("runs analysed", m + n, ""), FlowStep("builds analysed", n, ""),
        ),
        sensitivity=tuple(
            SensitivityLine(name, f"{name}: the mean so.", make_estimate(v, h, n, m)) for name, v, h in SENSITIVITY
        ),
        rules=(
            RuleVerdict("per_psi", "Each psi adds the engine's unboosted power over 14.7.", "holds with a lean",
                        make_estimate(0.9053, 0.0241, n, m), "within 10 %", ""),
            RuleVerdict("double", "One atmosphere of boost doubles the power.", "does not hold",
                        make_estimate(0.883, 0.012, n, m), "within 10 %", ""),
            RuleVerdict("belt", "Belt drive costs yield.", "cannot tell yet",
                        Estimate(None, None, None, 0.95, "1", 2, 5, "Only two belt-driven builds."),
                "any loss", "Ten belt-driven builds of two publishers.",
            ),
        ),
        sources=tuple(
            SourceNote(f"demo_{i:02d}", f"Engines of the year, part {i}", f"Invented Review {i}", 
                       "https://example.org/a" if i % 2 else "", "CC0-1.0", "2024-05-01", True)
            for i in range(1, 15)
        ),
        **_curves(),
    )  # fmt: skip


HOSTILE = [
    "<script>window.pwned=1</script>", "</script><img src=x onerror='window.pwned=1'>", "\"><svg onload=window.pwned=1>",
    "=HYPERLINK(\"http://x\",\"y\")", "\u202egnp.exe\u202c \u200f\u0627\u0644\u0645\u062d\u0631\u0643", "W" * 400,
   
    "{{ 7*7 }} {% raw %} ${alert(1)} &lt;b&gt;", "line\u2028break\u2029and\ttab\x00null", 
    "<!--<script>", "*bold* [x](javascript:window.pwned=1)",
]  # fmt: skip


def make_hostile_results() -> StudyResults:
    """The same study with contributed texts that try to break out of every place they are printed."""
    results = make_results(30)
    units = tuple(
        replace(
            unit, build=HOSTILE[i % len(HOSTILE)], publisher=HOSTILE[(i + 3) % len(HOSTILE)], fuel=HOSTILE[(i + 1) % len(HOSTILE)]
        )
        for i, unit in enumerate(results.units)
    )
    sources = tuple(
        replace(source, title=HOSTILE[i % len(HOSTILE)], publisher=HOSTILE[(i + 2) % len(HOSTILE)], 
                licence=HOSTILE[(i + 4) % len(HOSTILE)], url="javascript:window.pwned=1")
        for i, source in enumerate(results.sources)
    )  # fmt: skip
    return replace(results, units=units, sources=sources, notes=(HOSTILE[0],))


def make_hostile_answers(results: StudyResults) -> StudyResults:
    """The fitted study with hostile text wherever an answer carries a text of contributors."""
    names = {unit.unit_id: HOSTILE[i % len(HOSTILE)] for i, unit in enumerate(results.units)}
    assert results.deviators and results.drivers and results.selection and results.one_publisher_out

    def spoil(one: Any) -> Any:
        causes = tuple(replace(cause, cause=HOSTILE[0], sentence=HOSTILE[1]) for cause in one.causes)
        return replace(one, build=names[one.unit_id], publisher=HOSTILE[2], causes=causes, summary=HOSTILE[6])

    deviators = replace(
        results.deviators, unlike_peers=tuple(map(spoil, results.deviators.unlike_peers)),
        breaks_rule=tuple(map(spoil, results.deviators.breaks_rule)),
    )  # fmt: skip
    own = [
        replace(one, name=HOSTILE[0], level=HOSTILE[1], against=HOSTILE[5], adjusted_for=())
        for one in results.drivers.together[:2]
    ]
    drivers = replace(
        results.drivers, together=(*results.drivers.together, *own),
        summaries=(*results.drivers.summaries, replace(results.drivers.summaries[0], name=HOSTILE[0], label=HOSTILE[2])),
    )  # fmt: skip
    out = replace(
        results.one_publisher_out,
        lines=tuple(replace(line, publisher=HOSTILE[i % len(HOSTILE)]) for i, line in enumerate(results.one_publisher_out.lines)),
    )
    funnel = tuple(replace(point, publisher=HOSTILE[3]) for point in results.selection.funnel)
    return replace(
        results, units=tuple(replace(unit, build=names[unit.unit_id], publisher=HOSTILE[1]) for unit in results.units),
        deviators=deviators, drivers=drivers, one_publisher_out=out, selection=replace(results.selection, funnel=funnel),
        rules=tuple(replace(rule, statement=HOSTILE[i % len(HOSTILE)]) for i, rule in enumerate(results.rules)),
    )  # fmt: skip


SUMMARY = {"files": 16, "rows_read": 531, "accepted": 484, "refused": 38, "repeated": 9}


@pytest.fixture(scope="session")
def results() -> StudyResults:
    return make_results()


def fit_results() -> StudyResults:
    """A study that was really fitted: 90 simulated builds, a tenth of them with mistakes, so that every question has an answer."""
    import polars as pl

    from models.simulate import simulate_study
    from models.simulate_worlds import world
    from models.study import run_study

    made = simulate_study(world("contaminated", 90), 5)
    media = [("magazine", "video", "forum")[i % 3] for i in range(made.sources.height)]
    tables = {"run": made.runs, "build": made.builds, "source": made.sources.with_columns(pl.Series("medium", media))}
    return run_study(tables, version="0.1.0", fingerprint="3f9a1c", made_on="2026-03-14", ledger=SUMMARY)


@pytest.fixture(scope="session")
def full_results() -> StudyResults:
    return fit_results()


@pytest.fixture(scope="session")
def full_folder(full_results: StudyResults, summary: dict[str, int], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages of the fitted study, written once."""
    from reports.write import write_pages

    return write_pages(full_results, summary, tmp_path_factory.mktemp("full"))[0].parent


@pytest.fixture(scope="session")
def hostile_results() -> StudyResults:
    return make_hostile_results()


@pytest.fixture(scope="session")
def summary() -> dict[str, int]:
    return dict(SUMMARY)


@pytest.fixture(scope="session")
def estimate() -> Callable[..., Estimate]:
    return make_estimate


@pytest.fixture(scope="session")
def study_maker() -> Callable[..., StudyResults]:
    return make_results


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One browser for the session; where CI is set its absence is a failure, never a skip."""
    if not CHROMIUM.exists():
        message = f"{CHROMIUM} is missing; install the system's chromium package to run the browser tests."
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Opened:
    """A page in the browser with all that it asked for and said."""

    page: Any
    requests: list[str] = field(default_factory=list)
    messages: list[str] = field(default_factory=list)


@pytest.fixture
def open_page(chromium: Any) -> Iterator[Callable[..., Opened]]:
    """Open a file offline and wait until its charts are drawn."""
    contexts = []

    def _open(path: Path, fragment: str = "", width: int = 1280, **options: Any) -> Opened:
        context = chromium.new_context(offline=True, viewport={"width": width, "height": 900}, accept_downloads=True, **options)
        contexts.append(context)
        opened = Opened(context.new_page())
        opened.page.on("request", lambda request: opened.requests.append(request.url))
        opened.page.on("console", lambda message: opened.messages.append(f"{message.type}: {message.text}"))
        opened.page.on("pageerror", lambda error: opened.messages.append(f"error: {error}"))
        opened.page.goto(path.resolve().as_uri() + fragment)
        opened.page.wait_for_selector("html[data-ready='1']", timeout=20_000)
        opened.page.wait_for_selector("html[data-drawn]", timeout=20_000)
        return opened

    yield _open
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def page_file(results: StudyResults, summary: dict[str, int], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The study page of the invented study, written once."""
    from reports.write import write_pages

    return write_pages(results, summary, tmp_path_factory.mktemp("pages"))[0]


@pytest.fixture(scope="session")
def hostile_file(hostile_results: StudyResults, summary: dict[str, int], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The study page of the hostile study, written once."""
    from reports.write import write_pages

    return write_pages(hostile_results, summary, tmp_path_factory.mktemp("hostile"))[0]


@pytest.fixture(scope="session")
def hostile_folder(full_results: StudyResults, summary: dict[str, int], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages of the hostile answers, written once."""
    from reports.write import write_pages

    return write_pages(make_hostile_answers(full_results), summary, tmp_path_factory.mktemp("hostile_answers"))[0].parent
