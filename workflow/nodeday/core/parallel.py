"""Work that is done for many items, on as many cores as a stage was given."""

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

Item = TypeVar("Item")
Result = TypeVar("Result")


class Across(Protocol):
    """A function that works like ``map``: ``map``, or :func:`map_on_cores` with its cores given.

    Arithmetic that may use several cores takes one as an argument, and need not know which.
    """

    def __call__(self, work: Callable[[Item], Result], items: Iterable[Item], /) -> Iterable[Result]: ...


def map_on_cores(work: Callable[[Item], Result], items: Iterable[Item], cores: int) -> Iterator[Result]:
    """Yield what ``work`` returns for each item, in their order, from up to ``cores`` processes.

    With one core, or where the system cannot fork, the work is done in this process, item by item
    as results are asked for. Otherwise items and results are pickled. Raises what ``work`` raises,
    and NodedayError where a process was killed.
    """
    if cores == 1 or "fork" not in multiprocessing.get_all_start_methods():
        yield from map(work, items)
        return
    # A fork has the libraries, and ``work`` with all that it refers to, in memory already.
    forked = multiprocessing.get_context("fork")
    others = set(multiprocessing.active_children())
    try:
        with ProcessPoolExecutor(cores, forked, _Worker.begin, (work,)) as pool:
            try:
                pending: deque[Future[Result]] = deque()
                for item in items:
                    pending.append(pool.submit(_Worker.do, item))
                    if len(pending) > 2 * cores:  # more results would wait in memory
                        yield pending.popleft().result()
                while pending:
                    yield pending.popleft().result()
            except BaseException:  # nobody waits for the other results
                for worker in set(multiprocessing.active_children()) - others:
                    worker.terminate()
                raise
    except BrokenProcessPool as error:
        raise NodedayError("a process of the stage was killed", remedy="Is there enough memory?") from error


class _Worker:
    """A process that does the work and ends with the stage, however the stage ends."""

    work: Callable[[Any], Any]

    @classmethod
    def begin(cls, work: Callable[[Any], Any]) -> None:
        """Set up a worker process."""
        cls.work = staticmethod(work)
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        threading.Thread(target=cls._watch, daemon=True).start()

    @classmethod
    def do(cls, item: Any) -> Any:
        """Do the work for one item."""
        return cls.work(item)

    @staticmethod
    def _watch() -> None:
        stage = multiprocessing.parent_process()
        assert stage
        stage.join()
        os._exit(1)
