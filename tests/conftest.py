"""Fixtures shared by all tests: small source folders and stores made from text."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

# As the command does: on products as small as these the algebra library's threads would only wait for one another.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402

from pipeline.build import BuildSummary, build  # noqa: E402 (numpy is loaded here)

# Speed is measured in tests/bench, never by a test: a busy machine must not fail a property.
# `pytest --hypothesis-profile thorough` looks harder.
settings.register_profile("project", deadline=None, max_examples=15)
settings.register_profile("thorough", deadline=None, max_examples=500)
settings.load_profile("project")

RUNS = """build,displacement_cc,power_hp,boost_psi,ambient_kpa,session,note
Alder 2.0,1998,150,,101.0,a,first
Alder 2.0,1998,205,6,101.0,a,
Birch 3.0,2995,240,0,101.0,b,
Birch 3.0,2995,330,6,101.0,b,
Birch 3.0,2995,372,9,101.0,b,
"""

HEAD = 'title = "A test"\npublisher = "Test Sheet"\nlicence = "CC0-1.0"\n'


class RawFolder:
    """A scratch raw folder."""

    def __init__(self, root: Path) -> None:
        self.root = root / "raw"
        self.root.mkdir()
        self.store = root / "clean" / "study.duckdb"

    def add(
        self,
        source: str,
        files: dict[str, str | bytes],
        toml: str | None = None,
        kind: str = "runs",
        more: str = "",
        head: str = HEAD,
    ) -> Path:
        """Write a source: its files and, unless given, a source.toml that names them all."""
        folder = self.root / source
        folder.mkdir(exist_ok=True)
        for name, content in files.items():
            path = folder / name
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
        text = toml if toml is not None else head + "".join(f'[[file]]\nname = "{n}"\nkind = "{kind}"\n{more}\n' for n in files)
        (folder / "source.toml").write_text(text, encoding="utf-8")
        return folder

    def build(self, **options: bool) -> BuildSummary:
        """Bring the scratch store up to date."""
        return build(self.root, self.store, **options)


@pytest.fixture
def raw(tmp_path: Path) -> RawFolder:
    return RawFolder(tmp_path)


@pytest.fixture(scope="session")
def make_raw() -> Callable[[Path], RawFolder]:
    """For stores that the tests of a module share."""
    return RawFolder


@pytest.fixture(scope="session")
def runs_text() -> str:
    return RUNS


@pytest.fixture
def one_file(raw: RawFolder) -> Callable[..., BuildSummary]:
    """Build a store from one file of text and return the summary."""

    def made(text: str | bytes, kind: str = "runs", more: str = "", name: str = "file.csv") -> BuildSummary:
        raw.add("one", {name: text}, kind=kind, more=more)
        return raw.build()

    return made
