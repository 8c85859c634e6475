"""The chart library as one script without network access: Vega, Vega-Lite and Vega-Embed.

Making it takes seconds of pure computation, the same for every page, so it may be started early
in a process of its own (:func:`start`) while records are read and fitted.
"""

from __future__ import annotations

import functools
import subprocess
import sys

_MAKE = "import sys; from reports import bundle; sys.stdout.buffer.write(bundle.make())"
_started: list[subprocess.Popen[bytes]] = []


def _version() -> str:
    """Vega-Lite version of the installed altair, as vl_convert names it."""
    import altair as alt

    return ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])


def make() -> bytes:
    """The library of the installed altair's version, as bytes."""
    import vl_convert

    return vl_convert.javascript_bundle(vl_version=_version()).encode()  # type: ignore[call-arg]


def start() -> None:
    """Begin making the bundle in another process; :func:`chart_bundle` waits for it."""
    if not _started and not chart_bundle.cache_info().currsize:
        _started.append(subprocess.Popen([sys.executable, "-P", "-c", _MAKE], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL))


@functools.cache
def chart_bundle() -> str:
    """The script, in a function of its own so that its names stay out of the page."""
    text = b""
    if _started:
        worker = _started.pop()
        text, _ = worker.communicate()
        text = text if worker.returncode == 0 else b""
    if not text:
        text = make()
    script = text.decode().replace("\r\n", "\n").replace("\r", "\n")
    return "(function(){" + script + "\n})();"
