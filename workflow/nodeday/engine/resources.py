"""What a job asks a cluster for: memory and time by the size of its input, more at each new attempt.

Stages work in pieces, so memory hardly grows with a capture. The figures are this project's own choice,
about twice what was measured, so that only an unusual session needs a second attempt.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nodeday.config.study import Study
from nodeday.engine.rule_files import captures

Needs = dict[str, int | Callable[..., int]]

MB = 1_000_000


def session_needs(study: Study) -> Needs:
    """Return what a stage of one session needs, by the size of the session's captures in MB.

    1500 MB and 2 more for each; 10 minutes and one more for each 20.
    """

    def size_mb(session: str) -> int:
        paths = [study.root / name for name in captures(study, session)]
        return sum(path.stat().st_size for path in paths if path.exists()) // MB

    return {
        "mem_mb": lambda wildcards, attempt: attempt * (1500 + 2 * size_mb(wildcards.session)),
        "runtime": lambda wildcards, attempt: attempt * (10 + size_mb(wildcards.session) // 20),
    }


def stage_cores(sessions: Sequence[str], cores: int | None) -> int:
    """Return the cores that a stage of one session may use: those that other sessions leave idle.

    One where the engine does not run the stages itself and so has no ``cores``: a cluster has many sessions.
    """
    return max((cores or 1) // max(len(sessions), 1), 1)


def study_needs(sessions: Sequence[str]) -> Needs:
    """Return what the study's tables need, by the number of sessions.

    2000 MB and 10 more for each; 10 minutes and one more for each 20.
    """
    return {
        "mem_mb": lambda wildcards, attempt: attempt * (2000 + 10 * len(sessions)),
        "runtime": lambda wildcards, attempt: attempt * (10 + len(sessions) // 20),
    }


def page_needs() -> Needs:
    """Return what a session's page, or the index, needs: 1500 MB and 5 minutes."""
    return {
        "mem_mb": lambda wildcards, attempt: attempt * 1500,
        "runtime": lambda wildcards, attempt: attempt * 5,
    }
