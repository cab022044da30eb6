"""Processes of this machine that work side by side, for what is pure computation.

Each is started anew (``spawn``), on every system alike: it shares no memory, no file and no
connection to a database with this one. What it is handed and what it answers is pickled.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Generic, TypeVar, cast

from calfleet.errors import WorkerEnded

if TYPE_CHECKING:
    from concurrent.futures import Future, ProcessPoolExecutor

MOST = 4
"""More are not started: one process writes what all of them computed."""

State = TypeVar("State")
Given = TypeVar("Given")
Told = TypeVar("Told")

_state: object = None
"""In a worker, what it was started with."""


class _Answer(Generic[Told]):
    def __init__(self, kept: Future[None], future: Future[Told]) -> None:
        self._kept, self._future = kept, future

    def result(self) -> Told:
        from concurrent.futures.process import BrokenProcessPool

        try:
            self._kept.result()
            return self._future.result()
        except BrokenProcessPool as error:
            raise WorkerEnded from error


class OneWorker:
    """A process that keeps a state, and does what it is asked in that order."""

    def __init__(self, state: object) -> None:
        from concurrent.futures import ProcessPoolExecutor
        from multiprocessing import get_context

        self._pool: ProcessPoolExecutor = ProcessPoolExecutor(
            1, mp_context=get_context("spawn"), initializer=_begin
        )
        try:
            self._kept = self._pool.submit(_keep, state)
        except OSError as error:  # no more processes are allowed
            self.stop()
            raise WorkerEnded from error

    def ask(self, do: Callable[[State, Given], Told], given: Given) -> _Answer[Told]:
        """The answer of ``do``, a function of a module, to the state and to ``given``, later.

        Raises: what ``do`` raises, and WorkerEnded, when the answer is asked for.
        """
        return _Answer(self._kept, self._pool.submit(_with_state, do, given))

    def stop(self) -> None:
        self._pool.shutdown(cancel_futures=True)


class Workers:
    """Processes to be had: ``count`` of them serve at once, and all end with the block."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._started: list[OneWorker] = []

    def start(self, state: object) -> OneWorker:
        self._started.append(OneWorker(state))
        return self._started[-1]

    def stop(self) -> None:
        while self._started:
            self._started.pop().stop()


@contextmanager
def workers() -> Iterator[Workers | None]:
    """As many as there are processors for this program, at most ``MOST``; none where there is one.

    None, too, where the system has no means for them to talk. No process is started before it is
    needed. However the block ends, they have ended then.
    """
    count = min(_processors(), MOST)
    if count < 2 or not _can_talk():
        yield None
        return
    made = Workers(count)
    try:
        yield made
    finally:
        made.stop()


def _processors() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _can_talk() -> bool:
    """Whether there are semaphores: some containers have none."""
    from multiprocessing import get_context

    try:
        get_context("spawn").Lock()
    except (ImportError, OSError):
        return False
    return True


def _begin() -> None:
    """The start of a worker: an interruption is for the process that will stop it."""
    import threading

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A process that is killed stops nobody; without it a worker would wait for ever."""
    from multiprocessing import connection, parent_process

    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


def _keep(state: object) -> None:
    """Not handed over with the start, which would wait until the process can read it."""
    global _state
    _state = state


def _with_state(do: Callable[[State, Given], Told], given: Given) -> Told:
    return do(cast("State", _state), given)
