"""The chart library as one script without network access: Vega, Vega-Lite and Vega-Embed.

Making it takes seconds of pure computation that always ends in the same text, so the text is kept beside this module, compressed,
one file a version (``library/NOTICE.txt`` names whose work it is). ``python -m reports.bundle`` makes it anew; a test holds what is
kept against what the installed vl-convert makes.
"""

from __future__ import annotations

import functools
import gzip
from pathlib import Path

LIBRARY = Path(__file__).parent / "library"


def _version() -> str:
    """Vega-Lite version of the installed altair, as vl_convert names it."""
    import altair as alt

    return ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])


def make() -> bytes:
    """The library of the installed altair's version, as vl-convert makes it."""
    import vl_convert

    return vl_convert.javascript_bundle(vl_version=_version()).encode()  # type: ignore[call-arg]


def kept_file() -> Path:
    """Where the library of the installed altair's version is kept, or would be."""
    return LIBRARY / f"vega_lite_{_version()}.js.gz"


@functools.cache
def chart_bundle() -> str:
    """The script, in a function of its own so that its names stay out of the page; made where no such version is kept."""
    kept = kept_file()
    text = gzip.decompress(kept.read_bytes()) if kept.is_file() else make()
    script = text.decode().replace("\r\n", "\n").replace("\r", "\n")
    return "(function(){" + script + "\n})();"


if __name__ == "__main__":
    kept_file().write_bytes(gzip.compress(make(), 9, mtime=0))
