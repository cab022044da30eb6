"""Processes that compute beside this one: in order, with what they were started with, and gone."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest

from calfleet import workers as module
from calfleet.errors import DataProblems, Problem, UnknownName, WorkerEnded
from calfleet.workers import Workers, workers

ROOT = Path(__file__).parents[1]


@pytest.fixture
def two() -> Iterator[Workers]:
    made = Workers(2)
    yield made
    made.stop()


def count_up(state: list[int], given: int) -> tuple[int, int, int]:
    state[0] += given
    return state[0], given, os.getpid()


def fail(_state: object, given: str) -> str:
    if given == "switch":
        raise UnknownName("switch", "X", ["Y"], next_step="Look.")
    if given == "rows":
        raise DataProblems([Problem("A1", "wrong", "right")])
    if given == "name":
        raise ValueError("a name")
    if given == "end":
        os.kill(os.getpid(), signal.SIGKILL)
    return given


def whole(state: Decimal, given: tuple[float, Decimal]) -> tuple[float, Decimal, Decimal]:
    return (*given, state)


def alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    told = Path(f"/proc/{process}/stat")
    # one that has ended and that nobody asked about is there by name alone
    return not (told.exists() and told.read_text().rpartition(")")[2].split()[0] == "Z")


def ended(process: int) -> None:
    until = time.monotonic() + 10
    while alive(process) and time.monotonic() < until:
        time.sleep(0.01)
    assert not alive(process)


def test_each_keeps_its_state_and_answers_in_order(two: Workers) -> None:
    one, other = two.start([0]), two.start([100])
    first = [one.ask(count_up, n) for n in (1, 2, 3)]
    second = [other.ask(count_up, n) for n in (1, 1)]
    assert [a.result()[:2] for a in first] == [(1, 1), (3, 2), (6, 3)]
    assert [a.result()[:2] for a in second] == [(101, 1), (102, 1)]
    processes = {a.result()[2] for a in first}, {a.result()[2] for a in second}
    assert all(len(p) == 1 for p in processes)
    assert len(processes[0] | processes[1] | {os.getpid()}) == 3


def test_numbers_come_back_to_the_last_bit(two: Workers) -> None:
    given = (0.1 + 0.2, Decimal("1.500"))
    found = two.start(Decimal("100.00")).ask(whole, given).result()
    assert (found[0].hex(), str(found[1]), str(found[2])) == ((0.1 + 0.2).hex(), "1.500", "100.00")


def test_what_is_raised_there_is_raised_here(two: Workers) -> None:
    one = two.start(None)
    with pytest.raises(ValueError, match="a name"):
        one.ask(fail, "name").result()
    assert one.ask(fail, "on it goes").result() == "on it goes"


def test_our_own_refusals_come_as_they_are(two: Workers) -> None:
    one = two.start(None)
    with pytest.raises(UnknownName) as name:
        one.ask(fail, "switch").result()
    made = UnknownName("switch", "X", ["Y"], next_step="Look.")
    assert (name.value.args, vars(name.value)) == (made.args, vars(made))
    with pytest.raises(DataProblems) as rows:
        one.ask(fail, "rows").result()
    assert rows.value.problems == (Problem("A1", "wrong", "right"),)
    assert one.ask(fail, "on it goes").result() == "on it goes"


def test_no_more_processes_allowed_is_a_refusal(
    two: Workers, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr("multiprocessing.process.BaseProcess.start", refuse)
    with pytest.raises(WorkerEnded):
        two.start([0])


def test_stopped_ones_have_ended(two: Workers) -> None:
    process = two.start([0]).ask(count_up, 1).result()[2]
    held = list(two._started)  # so that nothing but being told ends it
    two.stop()
    ended(process)
    assert len(held) == 1


def test_a_state_that_cannot_be_handed_over_is_said_first(two: Workers) -> None:
    one = two.start(lambda: None)
    with pytest.raises((AttributeError, TypeError), match="pickle"):
        one.ask(fail, "x").result()


def test_a_process_that_ends_too_early_is_a_refusal(two: Workers) -> None:
    answer = two.start(None).ask(fail, "end")
    with pytest.raises(WorkerEnded) as caught:
        answer.result()
    assert caught.value.exit_code == 3
    assert "nothing was written" in caught.value.rule
    assert "memory" in caught.value.next_step


@pytest.mark.skipif(sys.platform == "win32", reason="signal 0 asks only on POSIX")
def test_all_have_ended_with_the_block_whatever_happened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_processors", lambda: 2)
    process = 0

    def interrupted() -> None:
        nonlocal process
        with workers() as found:
            assert found is not None
            process = found.start([0]).ask(count_up, 1).result()[2]
            assert alive(process)
            raise UnknownName("switch", "X")

    with pytest.raises(UnknownName):
        interrupted()
    ended(process)


PARENT = """
from calfleet.workers import Workers
from tests.test_workers import count_up
if __name__ == "__main__":
    print(Workers(1).start([0]).ask(count_up, 1).result()[2], flush=True)
    input()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signal 0 asks only on POSIX")
def test_a_worker_ends_with_a_process_that_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(PARENT)
    with subprocess.Popen(
        [sys.executable, str(script)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as parent:  # fmt: skip
        assert parent.stdout is not None
        process = int(parent.stdout.readline())
        assert alive(process)
        parent.kill()
    ended(process)


def test_none_where_processes_cannot_talk(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError("no semaphores here")

    monkeypatch.setattr(module, "_processors", lambda: 2)
    monkeypatch.setattr("multiprocessing.synchronize.SemLock.__init__", refuse)
    with workers() as found:
        assert found is None


@pytest.mark.parametrize(("processors", "count"), [(1, None), (2, 2), (3, 3), (64, 4)])
def test_as_many_as_there_are_processors_but_not_more_than_serve(
    monkeypatch: pytest.MonkeyPatch, processors: int, count: int | None
) -> None:
    monkeypatch.setattr(module, "_processors", lambda: processors)
    with workers() as found:
        assert (None if found is None else found.count) == count
