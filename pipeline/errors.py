"""Named errors of the project. The library raises them; only the command line turns them into a line and an exit code.

Every message says what was given, what is allowed, where it stood and what to do.
"""

from __future__ import annotations


class PoundworthError(Exception):
    """Base of all errors that a user can mend."""


class SourceProblem(PoundworthError):
    """A source.toml or repairs.toml cannot be used."""


class FileProblem(PoundworthError):
    """A contributed file cannot be read as a whole; it is skipped and named."""


class UnitProblem(PoundworthError):
    """A unit is unknown or belongs to another quantity."""


class StoreProblem(PoundworthError):
    """The store is missing, locked, damaged or of another version."""


class RequestProblem(PoundworthError):
    """What was asked for cannot be served from the data."""


class CorrectionProblem(PoundworthError):
    """Two figures cannot be brought to one correction standard."""
