"""What a run has done so far: stages at work, done and failed, and how long the rest may take.

The workflow's events write it; the progress display and the summary read it, from other threads.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from nodeday.engine.stages import STAGES, Scope

WEIGHT = {name: stage.weight for name, stage in STAGES.items() if stage.weight}
"""Expected time of a stage, in times of `frames`, before one was met in this run. Jobs that are not here take
next to nothing."""
STEPS = tuple(name for name in WEIGHT if STAGES[name].scope is Scope.SESSION)
"""Stages of one session that take time, in order."""


@dataclass(frozen=True)
class Job:
    """A stage at work on a session, or on the whole study where ``session`` is empty.

    ``log`` is the path of its log from the study's folder.
    """

    session: str
    stage: str
    log: str = ""


class Journal:
    """Keeps the account of a run on ``cores`` cores, by job numbers as the engine gives them.

    Seconds are differences of ``now``. Methods may be called from several threads.
    """

    def __init__(self, cores: int, now: Callable[[], float] = time.monotonic) -> None:
        self._cores, self._now, self._lock = cores, now, threading.Lock()
        self._waiting: Counter[str] = Counter()
        self._took: dict[str, list[float]] = defaultdict(list)
        self._working: dict[int, tuple[Job, float]] = {}
        self.total = self.done = 0
        self.failed: list[Job] = []

    def plan(self, counts: Mapping[str, int]) -> None:
        """Begin a pass with so many jobs of each stage."""
        with self._lock:
            self._waiting = Counter({stage: n for stage, n in counts.items() if stage in WEIGHT})
            self.total = self.done + self._waiting.total()

    def begin(self, number: int, job: Job) -> None:
        """Note that a job is at work."""
        with self._lock:
            if job.stage in WEIGHT:
                self._waiting[job.stage] -= 1
            self._working[number] = job, self._now()

    def end(self, number: int, *, failed: bool = False) -> tuple[Job, float] | None:
        """Note that a job has ended; return it with its seconds, None for a number that is not at work."""
        with self._lock:
            if number not in self._working:
                return None
            job, began = self._working.pop(number)
            seconds = self._now() - began
            if failed:
                self.failed.append(job)
                self._drop_followers(job)
            elif job.stage in WEIGHT:
                self._took[job.stage].append(seconds)
                self.done += 1
            return job, seconds

    def _drop_followers(self, job: Job) -> None:
        """Wait no longer for the failed ``job`` nor for the stages of its session that come after it."""
        self.total -= job.stage in WEIGHT
        if job.stage in STEPS:
            for stage in STEPS[STEPS.index(job.stage) + 1 :]:
                self.total -= self._waiting[stage] > 0
                self._waiting[stage] -= self._waiting[stage] > 0

    @property
    def working(self) -> list[tuple[Job, float]]:
        """Return jobs at work with their seconds so far, the oldest first."""
        with self._lock:
            return [(job, self._now() - began) for job, began in self._working.values()]

    @property
    def left_s(self) -> float | None:
        """Return the seconds that the rest of this pass may take; None before the first stage is done.

        A stage that was met in this run takes its mean time; another one follows from its weight and from
        theirs. No more stages are at work at once than there are cores, or sessions left.
        """
        with self._lock:
            met = sum(len(times) * WEIGHT[stage] for stage, times in self._took.items())
            if not met:
                return None
            unit = sum(sum(times) for times in self._took.values()) / met
            mean = {stage: sum(times) / len(times) for stage, times in self._took.items()}
            expected = {stage: mean.get(stage, weight * unit) for stage, weight in WEIGHT.items()}
            begun = [
                max(expected.get(job.stage, 0.0) - (self._now() - at), 0.0)
                for job, at in self._working.values()
            ]
            waiting = sum(count * expected[stage] for stage, count in self._waiting.items())
            left = self._waiting + Counter(job.stage for job, _ in self._working.values())
            at_once = max([*left.values(), len(begun), 1])
            return (waiting + sum(begun)) / min(self._cores, at_once)


def span(seconds: float) -> str:
    """Return a time in words that a person can take in.

    >>> span(4.21), span(75), span(8000)
    ('4.2 s', '1 min 15 s', '2 h 13 min')
    """
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    rounded = round(seconds)
    minutes = rounded // 60
    return f"{minutes} min {rounded % 60} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
