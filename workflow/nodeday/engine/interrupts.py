"""Ctrl-C during a run: it ends the jobs that the run started, and no other process."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType

from nodeday.engine import snakemake_private

AGAIN_S = 0.1
"""A job that was just being started is ended at the next turn."""


@contextlib.contextmanager
def ending_jobs() -> Iterator[None]:
    """Let Ctrl-C end every process that appeared below this one in the block; raise KeyboardInterrupt then.

    The workflow engine takes Ctrl-C for a failure of its jobs, and waits for them where only this process
    had the signal. An exception raised by a handler of signals may also leave a lock of the engine's log
    held for good. So once jobs run, the handler only wakes a thread, which ends them and asks the engine to
    start no more. Processes that were there before, such as the one that forks warm stages, stay.
    """
    import psutil

    this = psutil.Process()
    before = set(this.children(recursive=True))
    wake, interrupted, done = os.pipe(), threading.Event(), threading.Event()
    on_terminate = signal.getsignal(signal.SIGTERM)

    def note(number: int, frame: FrameType | None) -> None:
        if snakemake_private.stopper() is None:
            raise KeyboardInterrupt  # while jobs are planned there are none
        os.write(wake[1], b"\0")

    def end_jobs() -> None:
        if not os.read(wake[0], 1) or done.is_set():
            return
        interrupted.set()
        if stop := snakemake_private.stopper():
            stop()
        while not done.wait(AGAIN_S):
            for child in set(this.children(recursive=True)) - before:
                with contextlib.suppress(psutil.NoSuchProcess):
                    child.terminate()

    watcher = threading.Thread(target=end_jobs, name="interrupts", daemon=True)
    watcher.start()
    try:
        with _on_interrupt(note):
            yield
    finally:
        signal.signal(signal.SIGTERM, on_terminate)  # the engine leaves its own
        done.set()
        os.write(wake[1], b"\0")
        watcher.join()
        for end in wake:
            os.close(end)
        if interrupted.is_set():
            raise KeyboardInterrupt


@contextlib.contextmanager
def _on_interrupt(note: Callable[[int, FrameType | None], None]) -> Iterator[None]:
    """Have Ctrl-C call ``note`` in the block, unless it is ignored, as in the background of a script."""
    before = signal.getsignal(signal.SIGINT)
    if before != signal.SIG_IGN:
        signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
