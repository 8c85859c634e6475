"""The kept chart library is what the installed vl-convert makes."""

import gzip

import pytest

from reports import bundle


@pytest.mark.slow
def test_the_kept_library_is_the_one_that_would_be_made():
    assert bundle.kept_file().is_file()
    assert gzip.decompress(bundle.kept_file().read_bytes()) == bundle.make()


def test_without_a_kept_library_it_is_made(tmp_path, monkeypatch):
    kept = bundle.chart_bundle.__wrapped__()
    monkeypatch.setattr(bundle, "LIBRARY", tmp_path)
    monkeypatch.setattr(bundle, "make", lambda: b"made\r\nhere")
    assert bundle.chart_bundle.__wrapped__() == "(function(){made\nhere\n})();" != kept
