"""Ctrl-C during a run: it ends the jobs that the run started, and no other process."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from types import FrameType


@contextlib.contextmanager
def ending_jobs() -> Iterator[None]:
    """Let Ctrl-C end every process that appeared below this one in the block; raise KeyboardInterrupt then.

    The workflow engine takes Ctrl-C for a failure of its jobs, and waits for them where only this process
    had the signal. So the signal is noted here, jobs still at work are ended, and KeyboardInterrupt is
    raised again at the end. Processes that were there before, such as the one that forks warm stages, stay.
    """
    import psutil

    this, interrupted = psutil.Process(), False
    before = set(this.children(recursive=True))

    def note(number: int, frame: FrameType | None) -> None:
        nonlocal interrupted
        interrupted = True
        for child in set(this.children(recursive=True)) - before:
            with contextlib.suppress(psutil.NoSuchProcess):
                child.terminate()
        raise KeyboardInterrupt

    handler = signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, handler)
        if interrupted:
            raise KeyboardInterrupt
