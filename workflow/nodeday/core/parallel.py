"""The same work for each of several things, on as many cores as a stage was given."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any, Protocol, TypeVar

from nodeday.core.errors import NodedayError

Thing = TypeVar("Thing")
Result = TypeVar("Result")


class Across(Protocol):
    """What ``map`` does, and :func:`each` with its cores given: arithmetic that is asked to use several cores
    takes one, and need not know which.
    """

    def __call__(self, work: Callable[[Thing], Result], things: Iterable[Thing], /) -> Iterable[Result]: ...


def each(work: Callable[[Thing], Result], things: Iterable[Thing], cores: int) -> Iterator[Result]:
    """What ``work`` makes of each thing, in their order, in up to ``cores`` processes.

    With one core, or where the system cannot fork, it is done here, a thing at a time as it is asked for;
    else the things, and what comes of them, must be such as can be pickled. Raises what ``work`` raises, and
    NodedayError where a process was killed.
    """
    if cores == 1 or "fork" not in multiprocessing.get_all_start_methods():
        yield from map(work, things)
        return
    # A fork has the libraries, and ``work`` with all that it refers to, in memory already.
    forked = multiprocessing.get_context("fork")
    try:
        with ProcessPoolExecutor(cores, forked, _Worker.begin, (work,)) as pool:
            try:
                at_work: deque[Future[Result]] = deque()
                for thing in things:
                    at_work.append(pool.submit(_Worker.do, thing))
                    if len(at_work) > 2 * cores:  # more results would wait in memory
                        yield at_work.popleft().result()
                while at_work:
                    yield at_work.popleft().result()
            except BaseException:  # nobody waits for what the others are at
                for worker in multiprocessing.active_children():
                    worker.terminate()
                raise
    except BrokenProcessPool as error:
        raise NodedayError("a process of the stage was killed", remedy="Is there enough memory?") from error


class _Worker:
    """A process that does the work, and does not outlive the stage, however that ends."""

    work: Callable[[Any], Any]

    @classmethod
    def begin(cls, work: Callable[[Any], Any]) -> None:
        cls.work = staticmethod(work)
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        threading.Thread(target=cls._watch, daemon=True).start()

    @classmethod
    def do(cls, thing: Any) -> Any:
        return cls.work(thing)

    @staticmethod
    def _watch() -> None:
        stage = multiprocessing.parent_process()
        assert stage
        stage.join()
        os._exit(1)
