"""An export as a stranger may hand it over: its description read with suspicion, its files opened one by one and compared with it.

Nothing of the description says where to read: a path in it is compared with those that an export has, never followed. Files are
opened without following links, and what was opened is what is hashed and read.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from io import BufferedReader
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.data_package import PACKAGE_NAME, STORE_PROPERTY, TABLE_PROPERTY
from pipeline.errors import FileProblem, RequestProblem
from pipeline.export_store import FILE_OF
from pipeline.store_tables import SCHEMA_VERSION
from pipeline.table_hash import hash_tables

PACKAGE_FILE = "datapackage.json"
#: Each source adds some hundred bytes to the description; more than this is a mistake or an attack.
MAX_PACKAGE_BYTES = 1 << 26
_PATH = re.compile(r"(data|store)/[a-z_]+\.(csv|parquet)")
_HASH = r"^[0-9a-f]{64}$"
_AGAIN = "write the export again with `poundworth export DIR`, or copy it again whole"


class HeldTable(BaseModel):
    """Which table of a store a file holds, and what it must hash to."""

    model_config = ConfigDict(frozen=True)
    name: str
    rows: int = Field(ge=0)
    columns: tuple[str, ...]
    content_hash: str = Field(pattern=_HASH)


class PackageResource(BaseModel):
    """One file of an export as described."""

    model_config = ConfigDict(frozen=True)
    path: str
    hash: str = Field(pattern=r"^sha256:[0-9a-f]{64}$")
    bytes: int = Field(ge=0)
    holds: HeldTable | None = Field(default=None, validation_alias=TABLE_PROPERTY)


class HeldStore(BaseModel):
    """Which store an export was made from."""

    model_config = ConfigDict(frozen=True)
    tables_version: int = Field(ge=1)
    with_personal: bool
    content_hash: str = Field(pattern=_HASH)


class Package(BaseModel):
    """The description of an export, as far as a store is made from it."""

    model_config = ConfigDict(frozen=True)
    name: str
    version: str
    resources: tuple[PackageResource, ...]
    store: HeldStore = Field(validation_alias=STORE_PROPERTY)

    @property
    def held(self) -> dict[str, HeldTable]:
        """Table of a store -> what is said of it."""
        return {r.holds.name: r.holds for r in self.resources if r.holds is not None}


def read_package(folder: Path) -> Package:
    """The description of an export, checked.

    Raises
    ------
    RequestProblem : no export there, one without what a store needs, or one of a newer version.
    FileProblem : the description is damaged, or names other files than an export has.
    """
    if not folder.is_dir():
        raise RequestProblem(f"{folder} is no folder; give a folder that `poundworth export` wrote")
    content = _read_json(folder)
    if not isinstance(content, dict) or content.get("name") != PACKAGE_NAME:
        raise RequestProblem(
            f"{PACKAGE_FILE} in {folder} describes no export of this project; give a folder that `poundworth export` wrote"
        )
    if STORE_PROPERTY not in content:
        raise RequestProblem(
            f"{PACKAGE_FILE} in {folder} does not say how to make a store of the export: it comes from an earlier version of this "
            'project; its data/run_flat.csv can be read like any contributed file (kind = "runs" in a source.toml)'
        )
    try:
        package = Package.model_validate(content)
    except ValidationError as error:
        first = error.errors()[0]
        spot = ".".join(str(p) for p in first["loc"])
        raise FileProblem(f"{PACKAGE_FILE} in {folder} is damaged: at {spot[:120]}: {first['msg']}; {_AGAIN}") from error
    if package.store.tables_version > SCHEMA_VERSION:
        raise RequestProblem(
            f"the export in {folder} was written by a newer version of this project (tables {package.store.tables_version}, this one "
            f"knows {SCHEMA_VERSION}); use that version"
        )
    _check_files(package)
    return package


def _read_json(folder: Path) -> Any:
    with open_file(folder, PACKAGE_FILE) as handle:
        text = handle.read(MAX_PACKAGE_BYTES + 1)
    if len(text) > MAX_PACKAGE_BYTES:
        raise FileProblem(f"{PACKAGE_FILE} in {folder} has more than {MAX_PACKAGE_BYTES:,} bytes, which no export has; {_AGAIN}")
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise FileProblem(f"{PACKAGE_FILE} in {folder} is no JSON text ({str(error)[:120]}); {_AGAIN}") from error


def _check_files(package: Package) -> None:
    """Raise FileProblem where the files described are not those that an export has, or the hashes stated do not fit one another."""
    for resource in package.resources:
        if not _PATH.fullmatch(resource.path):
            raise FileProblem(
                f"{PACKAGE_FILE} names the file {resource.path[:120]!r}; an export has its files in data/ and store/ alone, and no other "
                f"path is opened: {_AGAIN}"
            )
        if resource.holds is not None and FILE_OF.get(resource.holds.name) != resource.path:
            raise FileProblem(
                f"{PACKAGE_FILE} says that {resource.path} holds the table {resource.holds.name[:60]!r}; the tables are "
                f"{', '.join(FILE_OF)}, each in its own file: {_AGAIN}"
            )
    twice = [path for path, times in Counter(r.path for r in package.resources).items() if times > 1]
    if twice:
        raise FileProblem(f"{PACKAGE_FILE} describes {twice[0]} more than once, each file is described once; {_AGAIN}")
    if missing := [name for name in FILE_OF if name not in package.held]:
        raise FileProblem(
            f"{PACKAGE_FILE} says of no file that it holds the table {missing[0]}; a store needs {', '.join(FILE_OF)}: {_AGAIN}"
        )
    found = hash_tables({name: held.content_hash for name, held in package.held.items()})
    if found != package.store.content_hash:
        raise FileProblem(
            f"{PACKAGE_FILE} states the content hash {package.store.content_hash} for all tables, but those of its tables give {found}; it "
            f"was changed after the export: {_AGAIN}"
        )


def check_file(folder: Path, resource: PackageResource) -> None:
    """Compare a file with its description.

    Raises
    ------
    FileProblem : it is missing, a link, or not the bytes that were exported.
    """
    with open_file(folder, resource.path) as handle:
        check_bytes(handle, resource)


def check_bytes(handle: BufferedReader, resource: PackageResource) -> None:
    """Compare an opened file with its description, and go back to its start.

    Raises
    ------
    FileProblem : its size or hash is another one.
    """
    size = os.fstat(handle.fileno()).st_size
    if size != resource.bytes:
        raise FileProblem(
            f"{resource.path} has {size:,} bytes, {PACKAGE_FILE} says {resource.bytes:,}: it was changed or cut short; {_AGAIN}"
        )
    found = f"sha256:{hashlib.file_digest(handle, 'sha256').hexdigest()}"
    if found != resource.hash:
        raise FileProblem(
            f"{resource.path} has the hash {found}, {PACKAGE_FILE} says {resource.hash}: it was changed or damaged; {_AGAIN}"
        )
    handle.seek(0)


@contextmanager
def open_file(folder: Path, path: str) -> Iterator[BufferedReader]:
    """A plain file below a folder, opened for reading; links are not followed, pipes and devices not waited for.

    Raises
    ------
    FileProblem : missing, a link or below one, no plain file, or not readable.
    """
    *between, name = path.split("/")
    places: list[int] = []
    try:
        places.append(os.open(folder, os.O_RDONLY | os.O_DIRECTORY))
        for part in between:
            places.append(os.open(part, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=places[-1]))
        found = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=places[-1])
    except FileNotFoundError as error:
        raise FileProblem(f"{path} is missing in {folder}; an export has it: {_AGAIN}") from error
    except OSError as error:
        raise FileProblem(
            f"{path} in {folder} cannot be opened ({error.strerror}); a plain file is expected, reached through no link: {_AGAIN}"
        ) from error
    finally:
        for place in places:
            os.close(place)
    with os.fdopen(found, "rb") as handle:
        if not stat.S_ISREG(os.fstat(handle.fileno()).st_mode):
            raise FileProblem(f"{path} in {folder} is no plain file, and only plain files are read; {_AGAIN}")
        yield handle
