import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import cli, main
from pipeline.template import make_template


def run(*args: str):
    return CliRunner().invoke(cli, list(args))


def test_template_writes_the_workbook(tmp_path: Path) -> None:
    path = tmp_path / "book.xlsx"
    result = run("template", str(path), "--units", "si")
    assert result.exit_code == 0 and str(path) in result.output
    assert path.read_bytes() == make_template("si")


def test_template_never_writes_over_figures_unasked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "book.xlsx"
    path.write_text("figures")
    with pytest.raises(SystemExit) as stopped:
        main(["template", str(path)])
    assert stopped.value.code == 1 and "may hold figures" in capsys.readouterr().err
    assert path.read_text() == "figures"
    assert run("template", str(path), "--force").exit_code == 0
    assert path.read_bytes() == make_template("us")


@pytest.mark.parametrize(("name", "told"), [("book.csv", "does not end in .xlsx"), ("no/folder/book.xlsx", "cannot be written")])
def test_template_tells_what_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, told: str) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["template", str(tmp_path / name)])
    assert stopped.value.code == 1 and told in capsys.readouterr().err


def test_export_prints_counts_and_json(raw, runs_text: str, tmp_path: Path) -> None:
    raw.add("one", {"file.csv": runs_text})
    raw.build()
    result = run("export", str(tmp_path / "out"), "--store", str(raw.store))
    assert result.exit_code == 0 and "run_flat" in result.output
    result = run("export", str(tmp_path / "out"), "--store", str(raw.store), "--json")
    told = json.loads(result.stdout)
    assert told["rows"]["run"] == 5 and told["invented_sources"] == 0
    assert {f["path"] for f in told["files"]} == {
        str(p.relative_to(tmp_path / "out")) for p in (tmp_path / "out").rglob("*") if p.is_file()
    }


def test_export_without_a_store_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["export", str(tmp_path / "out"), "--store", str(tmp_path / "none.duckdb")])
    told = capsys.readouterr().err
    assert stopped.value.code == 1 and told.count("\n") == 1 and "poundworth build" in told


@pytest.mark.slow
def test_restore_makes_the_store_that_was_exported(raw, runs_text: str, tmp_path: Path) -> None:
    raw.add("one", {"file.csv": runs_text})
    raw.build()
    out, again = str(tmp_path / "out"), str(tmp_path / "again.duckdb")
    exported = json.loads(run("export", out, "--store", str(raw.store), "--json").stdout)
    told = json.loads(run("restore", out, "--store", again, "--json").stdout)
    assert told["rows"]["run"] == 5 and told["content_hash"] == exported["content_hash"] and not told["with_personal"]
    shown = run("restore", out, "--store", again, "--replace")
    assert shown.exit_code == 0 and f"content hash {told['content_hash']}" in shown.output
    assert f"content hash {told['content_hash']}" in run("export", out, "--store", again).output
    assert json.loads(run("refused", "--store", again, "--json").stdout) == json.loads(
        run("refused", "--store", str(raw.store), "--json").stdout
    )


def test_restore_of_a_damaged_export_is_one_sentence(
    raw, runs_text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw.add("one", {"file.csv": runs_text})
    raw.build()
    run("export", str(tmp_path / "out"), "--store", str(raw.store))
    (tmp_path / "out" / "data" / "run.parquet").write_bytes(b"no table")
    for store, told in ((raw.store, "there is a store at"), (tmp_path / "new.duckdb", "data/run.parquet has 8 bytes")):
        with pytest.raises(SystemExit) as stopped:
            main(["restore", str(tmp_path / "out"), "--store", str(store)])
        shown = capsys.readouterr().err
        assert stopped.value.code == 1 and told in shown and shown.count("\n") == 1
    assert not (tmp_path / "new.duckdb").exists()


@pytest.mark.parametrize("command", ["template", "export", "restore"])
def test_help_has_examples(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0 and "Examples:" in result.output
