"""How fast the pass over the runs and the whole fit are: ``python tests/bench/bench_build_sums.py [BUILDS]``.

Prints seconds (median of repeats) for one pass of the 17 sums three ways (the library's, one polars group-by, one DuckDB
group-by), for the bare DuckDB join and group-by as the limit, and for the complete fit. The three ways are checked to agree.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1] / "models")]

from fit_strategies import FitTruth, simulate_fit  # noqa: E402

from models.build_sums import sum_builds, to_run_columns  # noqa: E402
from models.joint_fit import fit_joint  # noqa: E402
from models.rule import REFERENCE_BOOST_RATIO  # noqa: E402

S_BAR, Q = 0.9, -0.08
TERMS = {
    "one": "1", "d": "d", "g": "g", "z": "z", "k": "k", "y": "y", "dy": "d*y", "gg": "g*g", "gz": "g*z", "gk": "g*k", "gy": "g*y",
    "zz": "z*z", "zk": "z*k", "zy": "z*y", "kk": "k*k", "ky": "k*y", "yy": "y*y",
}  # fmt: skip


def timed(work: Callable[[], Any], repeats: int = 5) -> tuple[float, Any]:
    """Median seconds and the last result."""
    seconds, made = [], None
    for _ in range(repeats):
        start = time.perf_counter()
        made = work()
        seconds.append(time.perf_counter() - start)
    return float(np.median(seconds)), made


def in_polars(rows: pl.DataFrame) -> pl.DataFrame:
    """One lazy polars query; ``rows`` carry everything that no pass changes, joined once."""
    x, c = pl.col("x"), pl.col("c")
    mb = 1 + S_BAR * x + Q * c
    own = pl.col("s_own")
    with_columns = (
        rows.lazy()
        .with_columns(z=x / mb, k=c / mb, slope=pl.col("d") * (S_BAR + Q * (2 * x - REFERENCE_BOOST_RATIO)) / mb)
        .with_columns(
            g=pl.col("slope") * pl.col("gauge"),
            w=1 / (pl.col("power_var") + pl.col("slope") ** 2 * pl.col("boost_var")),
            y=pl.col("lp") - pl.max_horizontal(1 + own * x + Q * c, pl.lit(0.2)).log() + own * pl.col("z") + Q * pl.col("k"),
        )
    )
    sums = [(pl.sql_expr(term) * pl.col("w")).sum().alias(name) for name, term in TERMS.items()]
    return with_columns.group_by("unit").agg(sums).sort("unit").collect()


def in_duckdb(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """One SQL statement over the same joined rows."""
    sums = ", ".join(f'sum(w*{term}) as "{name}"' for name, term in TERMS.items())
    return con.sql(
        f"""with a as (select *, 1+{S_BAR}*x+{Q}*c mb from joined),
        b as (select *, x/mb z, c/mb k, d*({S_BAR}+{Q}*(2*x-{REFERENCE_BOOST_RATIO}))/mb slope from a),
        e as (select unit, d, z, k, slope*gauge g, 1/(power_var+slope*slope*boost_var) w,
              lp-ln(greatest(1+s_own*x+{Q}*c,0.2))+s_own*z+{Q}*k y from b)
        select unit, {sums} from e group by unit order by unit"""
    ).pl()


def main(builds: int) -> None:
    """Print the table."""
    runs, units = simulate_fit(FitTruth(builds=builds, publishers=max(builds // 7, 2)))
    s_own = np.linspace(0.6, 1.2, builds)
    offset = runs.filter(pl.col("boost_kpa") == 0).group_by("unit").agg(base=pl.col("power").log().mean())
    x = pl.col("boost_kpa") / pl.col("ambient_kpa")
    joined = (
        runs.join(units.with_columns(s_own=pl.Series(s_own)), on="unit")
        .join(offset, on="unit")
        .select(
            "unit", "s_own", x=x, c=x * (x - REFERENCE_BOOST_RATIO), d=(x > 0).cast(pl.Float64),
            lp=pl.col("power").log() - pl.col("base"), power_var=pl.col("power_rel_sd") ** 2,
            boost_var=(pl.col("boost_sd_kpa") / pl.col("ambient_kpa")) ** 2, gauge=pl.col("gauge_sd_kpa") / pl.col("ambient_kpa"),
        )
    )  # fmt: skip
    con = duckdb.connect()
    for name, frame in (("runs", runs), ("units", units), ("joined", joined)):
        con.register("given", frame)
        con.sql(f"create table {name} as select * from given")
    bare = (
        "select unit, any_value(publisher), sum(power), sum(boost_kpa/ambient_kpa), count(*) "
        "from runs join units using (unit) group by unit"
    )
    limit, _ = timed(lambda: con.sql(bare).to_arrow_table())
    prepare, columns = timed(lambda: to_run_columns(runs, units))
    ours, sums = timed(lambda: sum_builds(columns, S_BAR, Q, s_own, np.ones(builds)))
    polars_time, polars_sums = timed(lambda: in_polars(joined))
    duckdb_time, duckdb_sums = timed(lambda: in_duckdb(con))
    for name in TERMS:
        for other in (polars_sums, duckdb_sums):
            np.testing.assert_allclose(other[name].to_numpy(), getattr(sums, name), rtol=1e-8, atol=1e-6)
    fit_time, fit = timed(lambda: fit_joint(runs, units), repeats=3)
    print(f"{builds} builds, {runs.height} runs, {fit.passes} passes, beta {fit.answer.beta[0]:.4f}")
    table = {
        "limit: bare join + group by (DuckDB)": limit, "sort and lay out, once": prepare, "one pass, library": ours,
        "one pass, polars group-by": polars_time, "one pass, DuckDB group-by": duckdb_time, "complete fit": fit_time,
    }  # fmt: skip
    for name, seconds in table.items():
        print(f"{name:40s} {seconds:8.4f} s  {seconds / limit:6.1f} x limit")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
