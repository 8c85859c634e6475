"""The second process: values and errors come back, and nothing is lost with it."""

import gc
import math
import operator
import os
import sys
import time

import pytest

from pipeline.cli import second as module
from pipeline.cli.amounts import read_amount
from pipeline.cli.second import Second, open_second
from pipeline.errors import UnitProblem


@pytest.fixture
def second():
    one = Second(is_process=True)
    yield one
    one.close()
    assert not one._process.is_alive()


def test_values_come_back_in_any_order_and_are_made_elsewhere(second):
    root, place = second.ask(math.sqrt, 4.0), second.ask(os.getpid)
    assert place() != os.getpid()
    assert root() == 2.0


def test_names_go_with_values(second):
    assert second.ask(sorted, [1, 3, 2], reverse=True)() == [3, 2, 1]
    assert Second(is_process=False).ask(sorted, [1, 3, 2], reverse=True)() == [3, 2, 1]


def test_a_value_of_several_tasks_is_sent_once(second):
    long = [float(i) for i in range(100_000)]
    same = second.ask(operator.is_, long, long)
    first, *more = second.ask(math.fsum, long), second.ask(max, long, default=0), second.ask(max, [], default=long)
    assert [wait() for wait in (same, first, *more)] == [True, math.fsum(long), max(long), long]
    assert sum(sent is long for sent in second._sent) == 1


def test_what_could_not_be_sent_leaves_later_tasks_alone(second):
    with pytest.raises(Exception, match="pickle|local object"):
        second.ask(max, [1.0], [2.0], key=lambda one: one)
    assert second.ask(max, [3.0], [4.0])() == [4.0]


def test_an_error_is_raised_here_with_where_it_came_from(second):
    with pytest.raises(UnitProblem, match="furlong") as caught:
        second.ask(read_amount, "3 furlong", "power", "us")()
    assert "read_amount" in caught.value.__notes__[0]
    assert second.ask(math.sqrt, 9.0)() == 3.0


def test_what_cannot_be_sent_is_told(second):
    with pytest.raises(Exception, match="pickle|local object"):
        second.ask(math.sqrt, lambda: None)
    with pytest.raises(RuntimeError, match="cannot be sent"):
        second.ask(os.scandir, ".")()


def test_what_a_lost_process_was_asked_for_is_made_here(second):
    there = second.ask(os.getpid)()
    second._process.kill()
    second._process.join()
    here = second.ask(os.getpid)()
    assert there != os.getpid() == here


def test_what_is_asked_after_the_end_is_made_here(second):
    second.close()
    assert second.ask(os.getpid)() == os.getpid()


def test_without_a_process_it_is_made_when_it_is_waited_for():
    asked = []
    wait = Second(is_process=False).ask(asked.append, 1)
    assert asked == []
    wait()
    assert asked == [1]


@pytest.mark.parametrize(("processors", "imported"), [(1, False), (2, True)])
def test_no_process_where_it_would_gain_nothing(monkeypatch, processors, imported):
    monkeypatch.setattr(module, "processors", lambda: processors)
    with open_second(os.getpid, "math" if imported else "no_such_module") as one:
        assert one.ask(os.getpid)() == os.getpid()


def test_an_error_here_ends_the_process():
    with pytest.raises(ZeroDivisionError), open_second(os.getpid, "no_such_module") as one:
        assert "no_such_module" not in sys.modules
        1 / 0  # noqa: B018
    assert one._replies is None or not one._process.is_alive()


def test_garbage_is_still_collected():
    before = gc.get_threshold()
    try:
        module.collect_seldom()
        assert gc.isenabled() and 0 < gc.get_threshold()[0] <= 100_000
    finally:
        gc.set_threshold(*before)


def test_garbage_waits_while_modules_are_imported():
    with pytest.raises(ImportError), module.importing():
        assert not gc.isenabled()
        raise ImportError
    assert gc.isenabled() and gc.get_freeze_count() > 0
    gc.unfreeze()


def test_a_large_answer_holds_up_no_later_task(second, tmp_path):
    second.ask(bytes, 10_000_000)  # a pipe holds far less
    second.ask(os.mkdir, tmp_path / "made")
    until = time.monotonic() + 30
    while not (tmp_path / "made").is_dir() and time.monotonic() < until:
        time.sleep(0.01)
    assert (tmp_path / "made").is_dir()
