"""A store of an earlier version brought up to date, so that what it alone still holds is not lost.

A step is written once, as the tables were then, and never changed later. After the steps each file is read anew by
today's code; rows of files that are no longer readable stay as they were.
"""

from __future__ import annotations

import duckdb

from pipeline.store_rows import name_columns
from pipeline.store_tables import SCHEMA_VERSION

#: Version -> statements that lead from it to the next one.
STEPS: dict[int, str] = {
    # 2: tests that look alike are asked about, and a link says how it was found (until then always by equal figures)
    1: """
CREATE TABLE held AS SELECT build_key, same_as, figures FROM same_test;
DROP TABLE same_test;
CREATE TABLE same_test (build_key VARCHAR PRIMARY KEY, same_as VARCHAR NOT NULL, figures BIGINT, found_by VARCHAR NOT NULL);
INSERT INTO same_test SELECT build_key, same_as, figures, 'figures' FROM held;
DROP TABLE held;
CREATE TABLE near_test (build_key VARCHAR, near_key VARCHAR, reason VARCHAR, figures BIGINT, compared BIGINT, alike VARCHAR, ratio DOUBLE,
    boost_kpa DOUBLE, power_kw DOUBLE, near_boost_kpa DOUBLE, near_power_kw DOUBLE, only_here BIGINT, only_there BIGINT,
    PRIMARY KEY (build_key, near_key));
CREATE TABLE repeat_answer (source VARCHAR, build VARCHAR, other VARCHAR, answer VARCHAR, build_key VARCHAR, other_key VARCHAR,
    problem VARCHAR);
""",
    # 3: what the search for tests published twice knows of builds that do not change
    2: """
CREATE TABLE repeat_build (build_key VARCHAR NOT NULL, number UINTEGER NOT NULL, day DATE);
CREATE TABLE repeat_key (kind UTINYINT NOT NULL, packed UBIGINT NOT NULL);
CREATE TABLE repeat_equal (build_key VARCHAR, near_key VARCHAR, figures BIGINT, enough BOOLEAN);
CREATE TABLE repeat_judged (build_key VARCHAR, near_key VARCHAR, reason VARCHAR, figures BIGINT, compared BIGINT, alike VARCHAR, ratio DOUBLE,
    boost_kpa DOUBLE, power_kw DOUBLE, near_boost_kpa DOUBLE, near_power_kw DOUBLE, only_here BIGINT, only_there BIGINT, link BIGINT,
    clash BOOLEAN);
""",
    # 4: no index over runs and changes; a table made of another's rows has none
    3: """
CREATE TABLE held AS FROM run;
DROP TABLE run;
ALTER TABLE held RENAME TO run;
ALTER TABLE run ALTER run_key SET NOT NULL;
ALTER TABLE run ALTER build_key SET NOT NULL;
ALTER TABLE run ALTER source SET NOT NULL;
ALTER TABLE run ALTER publisher SET NOT NULL;
ALTER TABLE run ALTER file SET NOT NULL;
ALTER TABLE run ALTER line SET NOT NULL;
ALTER TABLE run ALTER role SET NOT NULL;
ALTER TABLE run ALTER ambient_used_kpa SET NOT NULL;
ALTER TABLE run ALTER ambient_basis SET NOT NULL;
CREATE TABLE held AS FROM change;
DROP TABLE change;
ALTER TABLE held RENAME TO change;
ALTER TABLE change ALTER change_key SET NOT NULL;
ALTER TABLE change ALTER source SET NOT NULL;
ALTER TABLE change ALTER publisher SET NOT NULL;
ALTER TABLE change ALTER file SET NOT NULL;
ALTER TABLE change ALTER line SET NOT NULL;
ALTER TABLE change ALTER before_run_key SET NOT NULL;
ALTER TABLE change ALTER after_run_key SET NOT NULL;
""",
    # 5: rows of wide tables stand apart, in the columns that hold something, and views name all
    4: """
ALTER TABLE run RENAME TO run_row;
ALTER TABLE build RENAME TO build_row;
""",
}


def can_migrate(version: int) -> bool:
    """Whether there is a way from a version to the present one."""
    return all(step in STEPS for step in range(version, SCHEMA_VERSION)) and version < SCHEMA_VERSION


def migrate(con: duckdb.DuckDBPyConnection, version: int) -> None:
    """Bring the tables from `version` to the present one, all or nothing.

    Kept results leave, and the recipe of each file is forgotten, so that the next build reads every file that is there.
    """
    con.execute("BEGIN")
    try:
        for step in range(version, SCHEMA_VERSION):
            con.execute(STEPS[step])
        name_columns(con)
        con.execute("DELETE FROM result")
        con.execute("UPDATE file_seen SET recipe = ''")
        con.execute("UPDATE meta SET value = ? WHERE key = 'schema_version'", [str(SCHEMA_VERSION)])
    except BaseException:
        con.execute("ROLLBACK")
        raise
    con.execute("COMMIT")
