"""The tables of the store as SQL: how they are made and how they are read back. No connection is opened here."""

from __future__ import annotations

from pipeline.fields import fields_of

#: Raised when tables change shape; an older store is rebuilt or migrated, a newer one is refused.
SCHEMA_VERSION = 5
_SQL_TYPE = {"number": "DOUBLE", "integer": "BIGINT", "text": "VARCHAR", "code": "VARCHAR", "date": "DATE", "flag": "BOOLEAN"}
# No key of a table of rows is a PRIMARY KEY: its index costs as much as writing the rows, and twice their room. A key is made of
# source, file and line, a file's rows are replaced together, and the gate sees that no key stands twice among them.
KEYS: dict[str, dict[str, str]] = {
    "source": {},
    "build": {"build_key": "VARCHAR NOT NULL", "source": "VARCHAR NOT NULL", "file": "VARCHAR NOT NULL"},
    "run": {
        "run_key": "VARCHAR NOT NULL", "build_key": "VARCHAR NOT NULL", "source": "VARCHAR NOT NULL", "publisher": "VARCHAR NOT NULL",
        "file": "VARCHAR NOT NULL", "line": "BIGINT NOT NULL", "role": "VARCHAR NOT NULL",
    },
    "sweep_point": {"run_key": "VARCHAR NOT NULL", "line": "BIGINT NOT NULL"},
    "change": {
        "change_key": "VARCHAR NOT NULL", "source": "VARCHAR NOT NULL", "publisher": "VARCHAR NOT NULL", "file": "VARCHAR NOT NULL",
        "line": "BIGINT NOT NULL", "before_run_key": "VARCHAR NOT NULL", "after_run_key": "VARCHAR NOT NULL", "parts": "VARCHAR[]",
    },
}  # fmt: skip
_EXTRA: dict[str, dict[str, str]] = {
    "run": {
        "ambient_used_kpa": "DOUBLE NOT NULL", "ambient_basis": "VARCHAR NOT NULL", "power_step_kw": "DOUBLE", "boost_step_kpa": "DOUBLE",
        "correction_factor": "DOUBLE", "baseline_build_key": "VARCHAR", "extra": "VARCHAR",
    },
}  # fmt: skip
OTHER_TABLES = """
CREATE TABLE refused (source VARCHAR, file VARCHAR, line BIGINT, row JSON, reasons STRUCT(code VARCHAR, "column" VARCHAR, value VARCHAR)[]);
CREATE TABLE flag (code VARCHAR, source VARCHAR, file VARCHAR, line BIGINT, "column" VARCHAR, value VARCHAR);
CREATE TABLE repair (source VARCHAR, file VARCHAR, what VARCHAR);
CREATE TABLE same_test (build_key VARCHAR PRIMARY KEY, same_as VARCHAR NOT NULL, figures BIGINT, found_by VARCHAR NOT NULL);
CREATE TABLE near_test (build_key VARCHAR, near_key VARCHAR, reason VARCHAR, figures BIGINT, compared BIGINT, alike VARCHAR, ratio DOUBLE,
    boost_kpa DOUBLE, power_kw DOUBLE, near_boost_kpa DOUBLE, near_power_kw DOUBLE, only_here BIGINT, only_there BIGINT,
    PRIMARY KEY (build_key, near_key));
CREATE TABLE repeat_answer (source VARCHAR, build VARCHAR, other VARCHAR, answer VARCHAR, build_key VARCHAR, other_key VARCHAR,
    problem VARCHAR);
CREATE TABLE repeated_run (run_key VARCHAR PRIMARY KEY);
CREATE TABLE repeat_build (build_key VARCHAR NOT NULL, number UINTEGER NOT NULL, day DATE);
CREATE TABLE repeat_key (kind UTINYINT NOT NULL, packed UBIGINT NOT NULL);
CREATE TABLE repeat_equal (build_key VARCHAR, near_key VARCHAR, figures BIGINT, enough BOOLEAN);
CREATE TABLE repeat_judged (build_key VARCHAR, near_key VARCHAR, reason VARCHAR, figures BIGINT, compared BIGINT, alike VARCHAR, ratio DOUBLE,
    boost_kpa DOUBLE, power_kw DOUBLE, near_boost_kpa DOUBLE, near_power_kw DOUBLE, only_here BIGINT, only_there BIGINT, link BIGINT,
    clash BOOLEAN);
CREATE TABLE result (name VARCHAR PRIMARY KEY, fingerprint VARCHAR, content JSON);
CREATE TABLE file_seen (source VARCHAR, file VARCHAR, sha256 VARCHAR, recipe VARCHAR, size BIGINT, mtime_ns BIGINT, seen_on VARCHAR,
    rows_read BIGINT, refused BIGINT, repeated BIGINT, runs BIGINT, sweep_points BIGINT, changes BIGINT, problem VARCHAR, withdrawn VARCHAR,
    PRIMARY KEY (source, file));
CREATE TABLE meta (key VARCHAR PRIMARY KEY, value VARCHAR);
"""
FILE_TABLES = ("run", "build", "sweep_point", "change", "refused", "flag", "repair")


def table_columns(table: str) -> dict[str, str]:
    """Column -> SQL type of one of the clean tables, in order."""
    named = {f.name: _SQL_TYPE[f.kind] for f in fields_of(table)}  # type: ignore[arg-type]
    return {**KEYS[table], **{k: v for k, v in named.items() if k not in KEYS[table]}, **_EXTRA.get(table, {})}


def column_comments(table: str) -> str:
    """Statements that say of each column of a clean table what it holds."""
    told = []
    for field in fields_of(table):  # type: ignore[arg-type]
        text = f"{field.meaning} [{field.unit}]" if field.unit else field.meaning
        told.append(f'COMMENT ON COLUMN "{table}"."{field.name}" IS \'{text.replace(chr(39), chr(39) * 2)}\';')
    return "\n".join(told)


_BUILD_FIELDS = [c for c in table_columns("build") if c not in ("build_key", "source", "file", "publisher", "build")]
READ = {
    "run": "SELECT run.*, repeated_run.run_key IS NOT NULL AS is_repeat FROM run LEFT JOIN repeated_run USING (run_key) ORDER BY source, file, line, run_key",
    "build": "SELECT build_key, any_value(source) AS source, any_value(publisher) AS publisher, any_value(build) AS build, "
    + ", ".join(f'first("{c}" ORDER BY file) FILTER ("{c}" IS NOT NULL) AS "{c}"' for c in _BUILD_FIELDS)
    + ", any_value(same_test.same_as) AS same_test_as FROM build LEFT JOIN same_test USING (build_key) GROUP BY build_key ORDER BY build_key",
    "sweep_point": "SELECT * FROM sweep_point ORDER BY run_key, rpm, line",
    "change": "SELECT * FROM change ORDER BY source, file, line, change_key",
    "source": "SELECT * FROM source ORDER BY source",
    "refused": "SELECT source, file, line, CAST(row AS VARCHAR) AS row, reasons FROM refused ORDER BY source, file, line",
    "flag": 'SELECT * FROM flag ORDER BY source, file, line, code, "column", value',
    "repair": "SELECT * FROM repair ORDER BY source, file, what",
    "same_test": "SELECT * FROM same_test ORDER BY build_key",
    "near_test": "SELECT * FROM near_test ORDER BY figures DESC, build_key, near_key",
    "repeat_answer": "SELECT * FROM repeat_answer ORDER BY source, build, other, answer",
    "file_seen": "SELECT * FROM file_seen ORDER BY source, file",
}
TABLES = tuple(READ)
