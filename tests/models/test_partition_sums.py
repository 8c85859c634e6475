"""The joint fit of data in parts is that of one table, however it is cut and whoever makes the sums."""

from __future__ import annotations

import json
import shutil
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import polars as pl
import pytest
from click.testing import CliRunner

from models.joint_fit import fit_joint
from models.partition_sums import find_parts, fit_parts, read_facts
from models.sample import choose_sample
from pipeline.cli import cli
from pipeline.errors import RequestProblem

pytestmark = pytest.mark.slow


def tables(sources=8, builds=9, seed=5):
    """Clean tables with scatter; the first two sources share a baseline."""
    rng = np.random.default_rng(seed)
    runs, made = [], []
    for s in range(sources):
        for b in range(builds):
            key, na = f"s{s}|p{s}|b{b}", rng.uniform(90, 300)
            made.append({"build_key": key, "source": f"s{s}", "publisher": f"p{s}", "build": f"b{b}", "same_test_as": None})
            slope = 0.9 + rng.normal(0, 0.1)
            for level in (0.0, 0.0, *rng.uniform(20, 110, rng.integers(1, 5))):
                power = na * (1 + slope * level / 101.325) * np.exp(rng.normal(0, 0.01))
                runs.append(
                    {
                        "run_key": f"s{s}/f#{len(runs)}", "build_key": key, "source": f"s{s}", "publisher": f"p{s}", "file": "f",
                        "line": len(runs), "role": "boosted" if level else "baseline", "power_kw": power, "boost_kpa": level,
                        "ambient_used_kpa": 101.325, "ambient_basis": "recorded", "measured_at": "crank", "dyno_type": "engine",
                        "baseline_build_key": "s0|p0|b0" if (s, b) == (1, 0) else None, "is_repeat": False,
                    }
                )  # fmt: skip
    return pl.DataFrame(runs, infer_schema_length=None), pl.DataFrame(made, infer_schema_length=None)


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    folder = tmp_path_factory.mktemp("export") / "data"
    folder.mkdir()
    runs, builds = tables()
    runs.write_parquet(folder / "run.parquet")
    builds.with_columns(pl.col("same_test_as").cast(pl.String)).write_parquet(folder / "build.parquet")
    sample = choose_sample(runs, builds)
    return folder, fit_joint(sample.runs, sample.units)


@pytest.mark.parametrize("wanted", [1, 3, 50])
def test_any_cut_gives_the_same_digits(export, wanted):
    folder, whole = export
    parts = find_parts(folder.parent, wanted)
    assert len(parts) == min(wanted, 7), "two of eight sources share a baseline"
    fit = fit_parts(parts)
    assert whole.effects is not None and fit.effects is not None
    assert fit.units.drop("unit").equals(whole.units.drop("unit"), null_equal=True)
    assert (fit.runs, fit.passes, fit.phi) == (whole.runs, whole.passes, whole.phi)
    for name in ("beta", "q", "tau_build", "tau_source", "blup", "blup_variance"):
        np.testing.assert_array_equal(getattr(fit.effects, name), getattr(whole.effects, name))
    np.testing.assert_array_equal(fit.own_slope, whole.own_slope)
    assert (fit.lowest_boost_ratio, fit.highest_boost_ratio) == (whole.lowest_boost_ratio, whole.highest_boost_ratio)


def test_workers_give_the_same_digits_and_return_no_runs(export):
    folder, whole = export
    parts = find_parts(folder, 4)
    with ThreadPoolExecutor(2) as pool:
        fit = fit_parts(parts, pool)
    np.testing.assert_array_equal(fit.effects.beta, whole.effects.beta)
    facts = read_facts(parts[0])
    assert facts.columns.log_power.size == facts.columns.power_var.size == 0


def test_sources_that_share_a_test_are_in_one_part(export):
    folder, _ = export
    (part,) = [p for p in find_parts(folder, 50) if "s1" in p.sources]
    assert part.sources == ("s0", "s1")


def test_several_exports_are_parts_of_one_study(export, tmp_path):
    folder, whole = export
    runs, builds = pl.read_parquet(folder / "run.parquet"), pl.read_parquet(folder / "build.parquet")
    for name, mine in (("a", pl.col("source") <= "s3"), ("b", pl.col("source") > "s3")):
        (tmp_path / name).mkdir()
        runs.filter(mine).write_parquet(tmp_path / name / "run.parquet")
        builds.filter(mine).write_parquet(tmp_path / name / "build.parquet")
    np.testing.assert_array_equal(fit_parts(find_parts(tmp_path)).effects.beta, whole.effects.beta)
    shutil.copytree(tmp_path / "a", tmp_path / "c")
    with pytest.raises(RequestProblem, match="counted twice"):
        find_parts(tmp_path)


def test_a_build_that_says_nothing_is_left_out_as_in_one_table(tmp_path):
    runs, builds = tables(4, 5)
    odd = pl.col("build_key") == "s2|p2|b1"
    runs = runs.with_columns(power_sd_kw=pl.when(odd).then(pl.col("power_kw") * 1e5))
    runs.write_parquet(tmp_path / "run.parquet")
    builds.write_parquet(tmp_path / "build.parquet")
    sample = choose_sample(runs, builds)
    whole, fit = fit_joint(sample.runs, sample.units), fit_parts(find_parts(tmp_path, 2))
    assert whole.builds == sample.units.height - 1
    assert fit.builds == whole.builds
    np.testing.assert_array_equal(fit.effects.beta, whole.effects.beta)


def test_no_export_and_damaged_export_are_one_sentence(tmp_path):
    with pytest.raises(RequestProblem, match="poundworth export"):
        find_parts(tmp_path)
    (tmp_path / "run.parquet").write_bytes(b"PAR1 no")
    (tmp_path / "build.parquet").write_bytes(b"PAR1 no")
    with pytest.raises(RequestProblem, match="cannot be read"):
        find_parts(tmp_path)


def test_command_gives_the_figures_of_the_parts(export):
    folder, whole = export
    made = CliRunner().invoke(cli, ["study", "--from", str(folder), "--json"])
    assert made.exit_code == 0, made.output
    told = json.loads(made.stdout)
    assert told["rule_ratio"]["value"] == pytest.approx(float(whole.effects.beta[0]), rel=1e-15)
    assert told["rule_ratio"]["builds"] == whole.builds
    text = CliRunner().invoke(cli, ["study", "--from", str(folder)])
    assert "rule ratio" in text.output


def test_options_that_need_the_whole_store_are_refused(export):
    made = CliRunner().invoke(cli, ["study", "--from", str(export[0]), "--where", "boost_kpa <= 50"])
    assert isinstance(made.exception, RequestProblem)
    assert "--from was given with --where" in str(made.exception)
    made = CliRunner().invoke(cli, ["study", "--jobs", "2"])
    assert "without --from" in str(made.exception)
