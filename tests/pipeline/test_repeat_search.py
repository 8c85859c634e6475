"""A search that looks again only at what changed finds what a search among all finds."""

import random
import shutil
from datetime import date

import polars as pl
import pytest

from pipeline.build import build
from pipeline.key_pairs import MOST_ALIKE, MOST_SHARING
from pipeline.near_repeats import choose_near, could_be_one, judge_near
from pipeline.pair_bounds import row_matrix
from pipeline.repeat_search import driven
from pipeline.repeats import FACT_COLUMNS, RUN_COLUMNS, find_repeats
from pipeline.store import forget_builds, query_table, read_table, writing
from pipeline.store_repeats import StoredBuilds, search_store
from pipeline.store_rows import insert

HP, PSI = 0.7456998715822702, 6.894757293168361
FACTS = ("displacement_cc", "compression_ratio", "bore_mm", "stroke_mm", "cylinders")
TYPES = dict.fromkeys((*FACTS, "power_kw", "power_step_kw", "boost_kpa", "boost_step_kpa", "power_rpm"), pl.Float64)


class World:
    """Builds of a few publishers whose figures often agree, changed at random; where they are alike, very many share a key."""

    def __init__(self, seed, are_alike=False):
        self.random, self.are_alike = random.Random(seed), are_alike
        self.builds, self.days, self.made = {}, {f"s{i}": date(2020, 1, 1 + i) for i in range(6)}, 0
        for _ in range(60):
            self.add()

    def add(self):
        rng = self.random
        source = rng.choice(sorted(self.days))
        base = 200 if self.are_alike else rng.choice((200, 200, 201, 240, 311))
        levels = {
            b: base * (1 + 0.06 * b) * (1 if self.are_alike else rng.choice((1, 1, 1, 1.002, 1.05)))
            for b in rng.sample((4, 6) if self.are_alike else (4, 6, 8, 11), rng.randint(1, 2 if self.are_alike else 3))
        }
        rows = [(None, base)] * rng.choice((1, 1, 1, 0)) + sorted(levels.items())
        unit = rng.choice((HP, HP, 0.73549875))
        self.made += 1
        key = f"{source}|P|B{self.made}"
        self.builds[key] = {
            "fact": {
                "build_key": key, "source": source, "publisher": rng.choice((f"Press {source}", "Press both")),
                "build": rng.choice(("Alder", "Alder 3.0", f"Own {self.made}")), "engine_id": rng.choice((None, None, "E1")),
                **dict.fromkeys(FACTS), "displacement_cc": rng.choice((None, 2000.0, 3010.0)),
            },
            "rows": [(b and round(b * PSI, 6), round(p * HP / unit) * unit, unit) for b, p in rows],
        }  # fmt: skip
        return key

    def change(self):
        """Some builds leave, some are read anew, some come, a day of publication moves; returns the builds that changed."""
        rng, touched = self.random, set()
        for key in rng.sample(sorted(self.builds), rng.randint(0, 3)):
            touched.add(key)
            build = self.builds.pop(key)
            if rng.random() < 0.5:
                self.builds[key] = build
                build["rows"] = build["rows"][:1] + [(b, p + rng.choice((0, 1, 30)), unit) for b, p, unit in build["rows"][1:]]
        touched |= {self.add() for _ in range(rng.randint(0, 3))}
        if rng.random() < 0.2:
            self.days[rng.choice(sorted(self.days))] = date(2019, 1, rng.randint(1, 28))
        return touched

    def tables(self):
        """Facts, runs and days of publication."""
        facts = pl.DataFrame(
            [b["fact"] for b in self.builds.values()],
            schema={c: TYPES.get(c, pl.String) for c in ("build_key", "source", *FACT_COLUMNS)},
        )
        runs = pl.DataFrame(
            [
                {
                    "run_key": f"{key}#{i}", "build_key": key, "role": "baseline" if boost is None else "boosted", "power_kw": power,
                    "power_step_kw": unit, "boost_kpa": boost or 0.0, "boost_step_kpa": 0.1 * PSI, "power_rpm": None,
                }
                for key, build in self.builds.items() for i, (boost, power, unit) in enumerate(build["rows"])
            ], schema={c: TYPES.get(c, pl.String) for c in ("build_key", *RUN_COLUMNS)},
        )  # fmt: skip
        days = pl.DataFrame({"source": list(self.days), "published_on": list(self.days.values())})
        return facts, runs, days

    def write(self, con, touched):
        """Bring a store up to date."""
        facts, runs, days = self.tables()
        keys = pl.DataFrame({"build_key": sorted(touched)}, schema={"build_key": pl.String})
        con.register("touched", keys)
        for table in ("build", "run"):
            con.execute(f"DELETE FROM {table}_row WHERE build_key IN (SELECT build_key FROM touched)")
        con.execute("DELETE FROM source")
        con.unregister("touched")
        forget_builds(con, [keys])
        named = facts.select("build_key", "source", "publisher", file=pl.lit("f.csv")).join(keys, on="build_key")
        insert(con, "build", [facts.join(keys, on="build_key").with_columns(file=pl.lit("f.csv"))])
        rest = {"line": pl.lit(1), "ambient_used_kpa": pl.lit(100.0), "ambient_basis": pl.lit("assumed")}
        insert(con, "run", [runs.join(named, on="build_key").with_columns(**rest)])
        insert(con, "source", [days])

    def found(self):
        """What a search among all finds."""
        facts, runs, days = self.tables()
        return find_repeats(runs, facts, days)


@pytest.fixture
def con(tmp_path):
    with writing(tmp_path / "study.duckdb") as con:
        yield con


def same(con, expected):
    assert query_table(con, "same_test").equals(expected.same_test)
    assert con.sql("SELECT run_key FROM repeated_run ORDER BY run_key").pl().equals(expected.runs)
    assert query_table(con, "near_test").equals(
        expected.near.sort("figures", "build_key", "near_key", descending=[True, False, False])
    )


#: Worlds and how often each changes.
WORLDS = [(10, 3), *(pytest.param(seed, 8, marks=pytest.mark.slow) for seed in range(11))]


@pytest.mark.parametrize("are_alike", [False, True])
@pytest.mark.parametrize(("seed", "changes"), WORLDS)
def test_what_changed_alone_is_looked_at_and_the_outcome_is_that_of_a_whole_search(con, seed, changes, are_alike):
    world = World(seed, are_alike)
    world.write(con, world.builds)
    search_store(con, [])
    assert query_table(con, "same_test").height  # or there is nothing to keep equal
    assert query_table(con, "near_test").height or are_alike
    for _ in range(changes):
        world.write(con, world.change())
        search_store(con, [])
        same(con, world.found())


@pytest.mark.parametrize("seed", range(4))
def test_no_pair_that_would_be_asked_about_is_dropped_on_bounds(seed):
    facts, runs, _ = World(seed).tables()
    names = facts.sort("build_key").with_row_index("rank")
    rows = driven(runs).join(names.select("rank", "build_key"), on="build_key")
    ranks = names.select("rank", "source")
    pairs = ranks.join_where(ranks, pl.col("rank") > pl.col("rank_right"), pl.col("source") != pl.col("source_right"))
    pairs = pairs.select("rank", rank_2="rank_right").sort("rank", "rank_2")
    none = pl.DataFrame(schema={"rank": pl.UInt32, "rank_2": pl.UInt32})
    likely = could_be_one(pairs, row_matrix(rows, names.height), rows, names)
    every, bounded = (choose_near(judge_near(some, rows, names), none, none) for some in (pairs, likely))
    assert every.height > 20 and every.equals(bounded)
    assert likely.height < pairs.height / 2  # else nothing was dropped


def test_nothing_changed_fetches_no_run_but_those_of_repeats(con, monkeypatch):
    world, asked, fetch = World(1), [], StoredBuilds.fetch
    world.write(con, world.builds)
    search_store(con, [])
    monkeypatch.setattr(
        StoredBuilds, "fetch", lambda self, named, **more: asked.append(named.height) or fetch(self, named, **more)
    )
    search_store(con, [])
    same(con, world.found())
    assert 0 < max(asked) < len(world.builds) / 2


@pytest.mark.parametrize("builds", [MOST_ALIKE + 1, MOST_SHARING + 2])
def test_a_pair_comes_back_when_fewer_share_its_key(con, builds):
    world = World(3)
    world.builds.clear()
    keys = [world.add() for _ in range(builds)]
    for i, key in enumerate(keys):
        build = world.builds[key]
        build["fact"] |= {
            "source": f"s{i % 6}",
            "publisher": f"Press {i}",
            "build": "Alder",
            "displacement_cc": None,
            "engine_id": None,
        }
        build["rows"] = [(None, 200.0, 1.0), (41.3, 260.0 + (i >= 3) * 0.4, 1.0)]
    world.write(con, keys)
    search_store(con, [])
    for key in keys[3:]:
        del world.builds[key]
    world.write(con, keys[3:])
    search_store(con, [])
    assert query_table(con, "same_test").height == 2
    same(con, world.found())


def test_known_keys_survive_numbers_that_run_out(con):
    world = World(2)
    world.write(con, world.builds)
    search_store(con, [])
    con.execute(f"UPDATE repeat_build SET number = number + {(1 << 24) - 10}")
    search_store(con, [])
    same(con, world.found())


def published(rng, name):
    """A file of tests; many are those of every other file."""
    rows = ["build,power_hp,boost_psi"]
    for test in rng.sample(range(12), 5):
        base = 180 + 17 * test + rng.choice((0, 0, 0, 1))
        rows += [
            f"{rng.choice(('Alder', name))} {test},{round(base * (1 + share))},{boost}"
            for boost, share in ((0, 0), (6, 0.35), (9, 0.52))
        ]
    return "\n".join(dict.fromkeys(rows)) + "\n"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_a_store_that_changed_step_by_step_holds_what_a_fresh_one_holds(raw, tmp_path, seed):
    rng = random.Random(seed)
    found = 0
    for step in range(5):
        for number in range(6) if step == 0 else rng.sample(range(6), 2):
            name = f"press_{number}"
            shutil.rmtree(raw.root / name, ignore_errors=True)
            if step == 0 or rng.random() < 0.7:
                day = f"published_on = 20{rng.randint(10, 24)}-01-01\n"
                head = f'title = "{name}"\npublisher = "{name}"\nlicence = "CC0-1.0"\n{day}'
                raw.add(name, {"f.csv": published(rng, name)}, head=head)
        raw.build()
        fresh = tmp_path / f"fresh_{step}.duckdb"
        build(raw.root, fresh)
        for table in ("same_test", "near_test", "run", "build"):
            mine, other = read_table(raw.store, table), read_table(fresh, table)
            assert mine.equals(other), (step, table)
            found += mine.height if table in ("same_test", "near_test") else 0
    assert found > 20
