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


@pytest.mark.parametrize("command", ["template", "export"])
def test_help_has_examples(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0 and "Examples:" in result.output
