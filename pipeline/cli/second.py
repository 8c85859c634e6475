"""A second process beside this one: it imports what is needed later while files are read, then makes half of the answers and pages.

It works on values that it is handed and never opens the store. Where it is lost, or where there is one processor, what it was asked
for is made here.
"""

from __future__ import annotations

import gc
import pickle
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any

from pipeline.memory import processors

#: Function and the places of what it is called with among all values sent so far, and the values that come to those now.
Task = tuple[Callable[..., Any], list[int], dict[str, int], list[Any]]
#: What a task returned; or None and what it raised.
Reply = tuple[Any, BaseException | None]


class Second:
    """The process; without one, what is asked for is made when it is waited for."""

    def __init__(self, is_process: bool) -> None:
        self._replies: Connection | None = None
        self._read: list[Reply] = []
        self._arrived: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._asked = 0
        self._sent: list[Any] = []
        if not is_process:
            return
        context = get_context("spawn")  # a fork would copy locks that polars' and DuckDB's threads hold
        self._replies, there = context.Pipe()
        self._tasks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._process = context.Process(target=_serve, args=(there,), daemon=True)
        self._process.start()
        there.close()
        # a pipe takes a large task only while it is read; a multiprocessing queue would leave semaphores where the process is ended
        threading.Thread(target=_send_all, args=(self._tasks, self._replies), daemon=True).start()
        # likewise a large answer is taken at once, or the process would wait with it and do nothing more
        self._receiver = threading.Thread(target=_receive_all, args=(self._replies, self._arrived), daemon=True)
        self._receiver.start()

    def ask(self, function: Callable[..., Any], *values: Any, **named: Any) -> Callable[[], Any]:
        """Begin a function of a module; returns what waits for its value and raises what it raised.

        A value that goes with several tasks is sent with the first of them alone, so it must not be changed in between.
        """
        here = partial(function, *values, **named)
        if self._replies is None:
            return here
        new: list[Any] = []
        task: Task = (function, [self._place(v, new) for v in values], {k: self._place(v, new) for k, v in named.items()}, new)
        content = pickle.dumps(task)  # here, where what cannot be sent is told at once
        self._sent += new
        place = self._asked
        self._asked += 1
        self._tasks.put(content)
        return lambda: self._wait(place, here)

    def _place(self, value: Any, new: list[Any]) -> int:
        """Where a value stands among those sent, or will when the ``new`` ones are."""
        for place, sent in enumerate((*self._sent, *new)):
            if sent is value:
                return place
        new.append(value)
        return len(self._sent) + len(new) - 1

    def _wait(self, place: int, here: Callable[[], Any]) -> Any:
        while len(self._read) <= place and self._replies is not None:
            content = self._arrived.get()
            if content is None:  # it was killed, mostly because memory was short
                self._replies = None
            else:
                self._read.append(pickle.loads(content))
        if len(self._read) <= place:
            return here()
        value, error = self._read[place]
        if error is not None:
            raise error
        return value

    def close(self) -> None:
        """End the process, whatever it is doing; it holds nothing that could be left half written. What is asked later is made here."""
        if self._replies is not None:
            self._process.terminate()
            self._process.join()
            self._receiver.join()  # before the end that it reads from is closed
            self._replies.close()
            self._replies = None


@contextmanager
def open_second(first_task: Callable[[], Any], already: str) -> Iterator[Second]:
    """A second process that begins with a task; none where there is one processor, or a process that has long imported everything.

    Parameters
    ----------
    first_task : done first; nobody waits for its value.
    already : name of a module; a process that has imported it gains nothing from another that must do so first.
    """
    second = Second((processors() > 1) and already not in sys.modules)
    try:
        if second._replies is not None:
            second.ask(first_task)
        yield second
    finally:
        second.close()


def collect_seldom() -> None:
    """Let Python look for garbage less often: what imports and tables make stays to the end, and looking through it costs seconds."""
    gc.set_threshold(50_000, 20, 20)


@contextmanager
def importing() -> Iterator[None]:
    """Modules are imported meanwhile: all that they make stays, and to look for garbage in it again and again costs a tenth of that."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


def _send_all(tasks: queue.SimpleQueue[bytes], there: Connection) -> None:
    """Hand tasks over in their order for as long as the other end is there."""
    while True:
        try:
            there.send_bytes(tasks.get())
        except OSError:  # closed, or killed: what waits for an answer finds that out
            return


def _receive_all(there: Connection, arrived: queue.SimpleQueue[bytes | None]) -> None:
    """Take answers as they come; None when the other end is gone."""
    try:
        while True:
            arrived.put(there.recv_bytes())
    except (EOFError, OSError):
        arrived.put(None)


def _serve(here: Connection) -> None:
    """Do tasks in their order until the other process ends this one, or is gone."""
    collect_seldom()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the other process is told, and ends this one
    received: list[Any] = []
    while True:
        try:
            function, values, named, new = pickle.loads(here.recv_bytes())
        except (EOFError, OSError):
            return
        received += new
        try:
            reply: Reply = (function(*[received[v] for v in values], **{k: received[v] for k, v in named.items()}), None)
        except BaseException as error:
            error.add_note("In the second process:\n" + "".join(traceback.format_tb(error.__traceback__)))
            reply = (None, error)
        try:
            here.send(reply)
        except OSError:
            return
        except Exception as error:  # what cannot be pickled
            here.send((None, RuntimeError(f"{function.__name__} gave what cannot be sent between processes: {error}")))
