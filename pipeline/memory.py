"""How a process that reads much deals with memory and processors: settings of its allocators, made before they are loaded.

Reading a file takes and frees tables of the file's size some dozens of times. Given back to the system each time, the pages
come back one fault at a time, which takes a quarter of the reading; kept for a few seconds, they are used again. And most steps
are so short that handing them to several threads takes longer than the step; the store is written by a thread beside them.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

#: Free memory that stays with the process, and the size above which a block is the system's own, bytes.
_KEPT_BYTES, _OWN_BLOCK_BYTES = 1 << 28, 1 << 25
#: glibc's names for them: of the environment, and of its call (malloc.h: M_TRIM_THRESHOLD, M_MMAP_THRESHOLD).
_GLIBC = {"MALLOC_TRIM_THRESHOLD_": (-1, _KEPT_BYTES), "MALLOC_MMAP_THRESHOLD_": (-3, _OWN_BLOCK_BYTES)}
#: polars brings an allocator of its own.
_OF_POLARS = {"_RJEM_MALLOC_CONF": "dirty_decay_ms:10000,muzzy_decay_ms:0"}
_THREADS = {"POLARS_MAX_THREADS": "1"}


def prepare_reading() -> None:
    """Let this process and those started from it keep freed memory for a while and run polars in one thread; call it before
    polars is imported.

    What the user set in the environment stays as it is; where the C library is another, nothing happens.
    """
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # not glibc
        mallopt = None
    for name, (option, size) in _GLIBC.items():
        if name not in os.environ:
            os.environ[name] = str(size)
            if mallopt is not None:
                mallopt(option, size)
    for name, text in (_OF_POLARS | _THREADS).items():
        os.environ.setdefault(name, text)


def processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def in_one_thread() -> Iterator[None]:
    """Processes that are started meanwhile run polars in one thread, whatever this one does."""
    set_here = [name for name in _THREADS if name not in os.environ]
    os.environ.update({name: _THREADS[name] for name in set_here})
    try:
        yield
    finally:
        for name in set_here:
            os.environ.pop(name, None)
