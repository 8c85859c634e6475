"""Every kept input and some fresh ones through every door: a result or one of the project's named errors, nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read_raw import ReadOptions, read_grids
from tests.fuzz.seeds import ODS, RUNS, SHEET, seeds_of, words_of
from tests.fuzz.targets import PART, TARGETS, read_open_document, read_workbook_parts, run_target

CORPUS = Path(__file__).parent / "corpus"
KEPT = sorted(path for path in CORPUS.glob("*/*") if path.is_file())
#: Inputs that were faults and are made here, because they are too long to keep.
LONG = {
    "source_toml": b"a = " + b"9" * 5_000,
    "rules_toml": b"a = " + b"[" * 5_000,
    "records": b'[{"' + b'": 1, "'.join(b"%d" % i for i in range(100_000)) + b'": 1, "99999": 2}]',
    "where": b"cylinders = 1e300\ncylinders in (4, 9223372036854775808)",
    "repeat_answers": b"".join(b'same_as."x%d" = "y"\n' % i for i in range(200)),
}


@pytest.mark.parametrize("name", TARGETS)
def test_kept_inputs_are_read_or_refused(name):
    kept = [path for path in KEPT if path.parent.name == name]
    assert kept, "each target keeps some inputs"
    for path in kept:
        run_target(name, path.read_bytes())


def test_the_corpus_stays_small_and_has_no_strangers():
    assert sum(path.stat().st_size for path in KEPT) < 300_000
    assert {path.parent.name for path in KEPT} == set(TARGETS)


@pytest.mark.parametrize("name", LONG)
def test_long_inputs_that_were_faults_are_refused(name):
    assert run_target(name, LONG[name]) is (name in ("where", "repeat_answers"))


def _changed(name: str) -> st.SearchStrategy[bytes]:
    """A first input of a target with a stretch of it replaced by a word of its language or by any bytes."""
    spliced = st.sampled_from(words_of(name)) | st.binary(max_size=20)

    def change(drawn: tuple[bytes, bytes, float, int]) -> bytes:
        data, word, place, length = drawn
        at = int(place * len(data))
        return data[:at] + word + data[at + length :]

    return st.tuples(st.sampled_from(seeds_of(name)), spliced, st.floats(0, 1), st.integers(0, 12)).map(change)


@pytest.mark.parametrize("name", TARGETS)
@settings(max_examples=6)
@given(data=st.data())
def test_changed_inputs_are_read_or_refused(name, data):
    run_target(name, data.draw(_changed(name)))


def test_a_target_notices_what_is_no_named_error(monkeypatch):
    def faulty(data: bytes) -> None:
        raise ZeroDivisionError

    monkeypatch.setitem(TARGETS, "decode", faulty)
    with pytest.raises(ZeroDivisionError):
        run_target("decode", b"")


def test_first_inputs_reach_the_readers(tmp_path):
    """The packages that the targets make are read, not just refused; otherwise nothing inside them would be tried."""
    read_workbook_parts(PART.join((SHEET, b"", b"<sst><si><t>power hp</t></si></sst>")))
    read_open_document(PART + ODS)
    (tmp_path / "f.csv").write_bytes(RUNS)
    assert read_grids(tmp_path / "f.csv", ReadOptions())[0].cells.height == 3
    assert run_target("whole_file", RUNS) and run_target("rules_toml", seeds_of("rules_toml")[0])
