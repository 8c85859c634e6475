"""Files of curves from text to store: long and wide, sides and labels, logs, and every line accounted for."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import store
from pipeline.build import build

SPEEDS = range(3000, 7001, 250)
ONE = 'constants = { build = "Alder 2.0", induction = "turbocharger", ambient_kpa = 100.0 }'


def kw(rpm, times=1.0):
    """Power of an engine with its torque peak at 4000 rpm and its power peak, 150 kW, at 6000 rpm."""
    return times * 150 * (rpm / 6000) * (1 - (rpm - 4000) ** 2 / 28e6) / (6 / 7)


def text(header, *columns, speeds=SPEEDS):
    rows = [
        ",".join("" if (v := f(r)) is None else f"{v:.2f}" if isinstance(v, float) else str(v) for f in columns) for r in speeds
    ]
    return "\n".join([header, *rows]) + "\n"


@pytest.fixture
def read(raw, read_tables):
    def made(content, more=ONE, kind="sweep", toml=None):
        raw.add("one", {"file.csv": content}, kind=kind, more=more, toml=toml)
        summary = raw.build()
        assert [f.problem for f in summary.by_file] == [None]
        return summary, read_tables(raw.store, "run", "sweep_point", "change", "refused", "build")

    return made


def peaks(tables):
    return [(r["run"], r["role"], round(r["power_kw"]), round(r["boost_kpa"])) for r in tables["run"].iter_rows(named=True)]


def test_baseline_and_boosted_beside_each_other(read):
    summary, tables = read(
        text("rpm,baseline_power_kw,boosted_power_kw,boosted_boost_kpa", int, kw, lambda r: kw(r, 1.4), lambda r: 50.0)
    )
    assert peaks(tables) == [(None, "baseline", 150, 0), (None, "boosted", 210, 50)]
    assert tables["run"]["build_key"].n_unique() == 1
    assert {f["value"] for f in summary.flags if f["code"] == "curves_side_by_side"} == {"baseline, boosted"}


def test_constant_boost_goes_to_the_boosted_curve_only(read):
    _, tables = read(
        text("rpm,baseline_power_kw,boosted_power_kw", int, kw, lambda r: kw(r, 1.4)),
        more='constants = { build = "Alder", boost_kpa = 50 }',
    )
    assert peaks(tables) == [(None, "baseline", 150, 0), (None, "boosted", 210, 50)]


def test_before_and_after_make_a_change_also_where_one_is_shorter(read):
    content = text("rpm,before hp,after hp", int, lambda r: kw(r) / 0.7457 if r >= 3500 else None, lambda r: kw(r, 1.1) / 0.7457)
    _, tables = read(content, more='constants = { build = "Alder", parts = "camshaft + headers" }')
    change = tables["change"].row(0, named=True)
    assert change["parts"] == ["camshaft", "headers"]
    by_key = {r["run_key"]: r for r in tables["run"].iter_rows(named=True)}
    before, after = by_key[change["before_run_key"]], by_key[change["after_run_key"]]
    assert round(before["power_kw"]) == 150
    assert round(after["power_kw"]) == 165
    assert before["build_key"] != after["build_key"]


def test_changes_of_several_builds_are_not_crossed(read):
    rows = ["build,rpm,before_power_kw,after_power_kw,parts"]
    for r in SPEEDS:  # the two builds line by line in turn
        rows += [f"A,{r},{kw(r):.2f},{kw(r, 1.1):.2f},camshaft", f"B,{r},{kw(r, 2):.2f},{kw(r, 2.1):.2f},headers"]
    _, tables = read("\n".join(rows), more="")
    powers = dict(tables["run"].select("run_key", "power_kw").iter_rows())
    pairs = {
        (round(powers[c["before_run_key"]]), round(powers[c["after_run_key"]]), c["parts"][0])
        for c in tables["change"].to_dicts()
    }
    assert pairs == {(150, 165, "camshaft"), (300, 315, "headers")}
    assert tables["change"]["change_key"].n_unique() == 2


def test_levels_labels_and_stock(read):
    _, tables = read(
        text(
            "rpm,NA kW,6 psi kW,6 psi torque Nm,Run 3 (9 psi) kW", int, kw, lambda r: kw(r, 1.35),
            lambda r: kw(r, 1.35) * 9549.2966 / r, lambda r: kw(r, 1.5),
        )
    )  # fmt: skip
    assert peaks(tables) == [
        (None, "baseline", 150, 0), (None, "boosted", 202, 41), ("Run 3 (9 psi)", "boosted", 225, 62),
    ]  # fmt: skip


def test_labelled_runs_named_as_before_make_a_change_by_name(read):
    rows = ["build,run,compared_with,parts,rpm,power_kw"]
    rows += [f"A,stock,,,{r},{kw(r):.2f}" for r in SPEEDS]
    rows += [f"A cammed,cam,stock,camshaft,{r},{kw(r, 1.08):.2f}" for r in SPEEDS]
    _, tables = read("\n".join(rows), more="")
    change = tables["change"].row(0, named=True)
    assert (change["before_run_key"], change["after_run_key"]) == ("one/file.csv#2", "one/file.csv#19")


def test_run_names_in_the_row_above_the_headers(read):
    rows = ["Run 1,,Run 2,,", "rpm,kW,rpm,kW,kPa", *(f"{r},{kw(r):.2f},{r + 20},{kw(r + 20, 1.4):.2f},50" for r in SPEEDS)]
    _, tables = read("\n".join(rows))
    assert [p[0] for p in peaks(tables)] == ["Run 1", "Run 2"]
    assert set(tables["sweep_point"].filter(pl.col("run_key").str.ends_with("/2"))["rpm"]) == {float(r + 20) for r in SPEEDS}


def test_override_names_a_label(read):
    _, tables = read(
        text("n,P_A,P_B", int, kw, lambda r: kw(r, 1.4)),
        more='headers = { "n" = "rpm", "P_A" = "Run A power_kw", "P_B" = "Run B power_kw" }\n' + ONE,
    )
    assert [p[0] for p in peaks(tables)] == ["Run A", "Run B"]


def test_kind_is_worked_out_for_wide_tables(read):
    head = 'title = "A"\npublisher = "P"\nlicence = "CC0-1.0"\n[[file]]\nname = "file.csv"\n'
    wide = text("rpm,before kW,after kW", int, kw, lambda r: kw(r, 1.1))
    summary, tables = read(wide, toml=head + 'constants = { build = "A" }\n')
    assert tables["run"].height == 2
    assert any(f["code"] == "kind_guessed" and f["value"].startswith("sweep (engine speed runs") for f in summary.flags)


@pytest.mark.slow
def test_conditions_that_differ_by_curve(read):
    content = text(
        "rpm,stock kW,stock air temp (C),stage 1 kW,stage 1 air temp (C),stage 1 fuel", int, kw, lambda r: 20.0,
        lambda r: kw(r, 1.1), lambda r: 31.0, lambda r: "methanol",
    )  # fmt: skip
    _, tables = read(content)
    assert tables["run"].select("air_c", "fuel").rows() == [(20.0, None), (31.0, "methanol")]


def test_thousands_of_rpm_and_descending_speeds(read):
    content = text("krpm,power_kw", lambda r: r / 1000, kw, speeds=range(7000, 2999, -250))
    _, tables = read(content)
    assert tables["run"].select("power_rpm", pl.col("power_kw").round(0)).row(0) == (6000.0, 150.0)


def test_raw_log_with_time_and_run_down(read):
    rows = ["Time (s),RPM,Power (kW),MAP (kPa)"]
    for i in range(400):
        r = 3000 + 10 * i
        rows.append(f"{i / 50:.2f},{r},{kw(r) * (1.02 if i % 2 else 0.98):.2f},{150 + (i % 3)}")
    rows += [f"{8 + i / 50:.2f},{7000 - 20 * i},{-3.0 - 0.01 * i:.2f},40" for i in range(200)]
    summary, tables = read("\n".join(rows))
    run = tables["run"].row(0, named=True)
    assert run["power_kw"] == pytest.approx(150, rel=0.01)
    assert run["boost_kpa"] == pytest.approx(51, abs=1)
    assert summary.count("refused") == 0
    assert tables["sweep_point"].height == 600


def test_peaks_are_not_taken_from_refused_points(read):
    content = text("rpm,power_kw,torque_nm", int, kw, lambda r: kw(r) * 9549.2966 / r)
    content += "6050,190.0,100.0\n"  # power is nowhere near torque x speed
    content += "99000,400.0,38.58\n"  # no such speed
    summary, tables = read(content)
    assert summary.count("refused") == 2
    assert tables["run"]["power_kw"][0] == pytest.approx(150, rel=0.003)


def test_a_curve_too_short_takes_only_its_own_lines(read):
    _, tables = read(text("rpm,Run 1 kW,Run 2 kW", int, kw, lambda r: kw(r, 1.4) if r <= 3250 else None))
    assert tables["refused"]["line"].to_list() == [2, 3]
    assert {x["code"] for row in tables["refused"]["reasons"] for x in row} == {"curve_too_short"}
    assert tables["run"]["run"].to_list() == ["Run 1"]
    assert tables["run"]["line"].to_list() == [4]


def test_a_boosted_curve_without_boost_is_refused_with_that_reason(read):
    _, tables = read(text("rpm,baseline_power_kw,boosted_power_kw", int, kw, lambda r: kw(r, 1.4)))
    assert {x["code"] for row in tables["refused"]["reasons"] for x in row} == {"boost_missing"}


def test_columns_that_are_no_fields_stay_with_the_first_line(read):
    _, tables = read(text("rpm,power_kw,dyno mood", int, kw, lambda r: f"m{r}"))
    assert tables["run"]["extra"].to_list() == ['{"dyno mood":"m3000"}']


def test_a_file_of_two_kinds_balances(raw):
    rows = ["build,power_hp,boost_psi", "A,200,", "A,280,6", "", "build,rpm,power_kw", *(f"B,{r},{kw(r):.1f}" for r in SPEEDS)]
    head = 'title = "A"\npublisher = "P"\nlicence = "CC0-1.0"\n[[file]]\nname = "file.csv"\n'
    raw.add("one", {"file.csv": "\n".join(rows)}, toml=head)
    summary = raw.build()
    assert [f.problem for f in summary.by_file] == [None]
    assert (summary.count("rows_read"), summary.count("accepted"), summary.runs) == (19, 19, 3)


def test_missing_build_says_how_to_state_it(raw):
    raw.add("one", {"file.csv": text("rpm,power_kw", int, kw)}, kind="sweep")
    assert 'constants = { build = "..." }' in (raw.build().by_file[0].problem or "")


cells = st.one_of(
    st.none(),
    st.integers(-50, 9000).map(str),
    st.floats(0, 400).map(lambda x: f"{x:.1f}"),
    st.sampled_from(["n/a", "abc", "12,5", "1,234", "400-410", "~50", "200 hp", "=1+1", "NaN", "inf", "1e9", "-5"]),
)
headers = st.lists(
    st.sampled_from(
        ["rpm", "power_kw", "torque_nm", "boost_kpa", "build", "run", "before kW", "after kW", "baseline_power_kw", "boosted hp",
         "6 psi hp", "Run 1 kW", "Run 2 Nm", "Run 2 kW", "stock hp", "fuel", "air_c", "compared_with", "parts", "session", "Run 1 rpm"]
    ),
    min_size=2, max_size=9, unique=True,
)  # fmt: skip


@st.composite
def awkward(draw):
    names = draw(headers)
    n = draw(st.integers(1, 25))
    start, step = draw(st.integers(1500, 3500)), draw(st.sampled_from([50, 100, 250, -100]))
    rows = []
    for i in range(n):
        row = []
        for name in names:
            if draw(st.integers(0, 9)) == 0:
                row.append(draw(cells) or "")
            elif "rpm" in name:
                row.append(str(start + step * i + 5000 * (step < 0)))
            elif name in ("build", "run", "fuel", "parts", "session", "compared_with"):
                row.append(draw(st.sampled_from(["A", "B", "petrol", "camshaft", ""])))
            else:
                row.append(f"{kw(start + step * i + 5000 * (step < 0)):.2f}")
        rows.append(",".join(f'"{c}"' for c in row))
    return ",".join(names) + "\n" + "\n".join(rows) + "\n"


@pytest.mark.slow
@given(
    content=awkward(), fill=st.sampled_from(["", 'constants = { build = "A" }', 'constants = { build = "A", boost_kpa = 40 }'])
)
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_every_line_is_accepted_or_refused(tmp_path_factory, content, fill):
    root = tmp_path_factory.mktemp("raw")
    folder = root / "data" / "one"
    folder.mkdir(parents=True)
    (folder / "file.csv").write_text(content, encoding="utf-8")
    head = 'title = "A"\npublisher = "P"\nlicence = "CC0-1.0"\n[[file]]\nname = "file.csv"\nkind = "sweep"\n'
    (folder / "source.toml").write_text(head + fill + "\n", encoding="utf-8")
    summary = build(root / "data", root / "s.duckdb")  # proves the balance itself, and raises where it does not hold
    row = summary.by_file[0]
    assert row.rows_read == row.accepted + row.refused
    if row.problem is None:
        points = store.read_table(root / "s.duckdb", "sweep_point")
        refused = set(store.read_table(root / "s.duckdb", "refused")["line"])
        assert not refused & set(points["line"])
        assert row.accepted == points["line"].n_unique()
        assert set(points["run_key"]) == set(store.read_table(root / "s.duckdb", "run")["run_key"])
