"""Jobs that need not import their libraries again: one process has them, and forks for each job.

A rule calls `nodeday stage NAME SESSION` or `nodeday export package`, whatever runs it. Where the environment
names the address of such a process, that call forwards its arguments, folder and outputs and waits for the
exit code. Where there is none, or it does not answer, the call does the work itself. Imports cost a stage
about a second, so a study of thirty sessions saves minutes of processor time.
"""

from __future__ import annotations

import atexit
import gc
import importlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from nodeday.core import malloc
from nodeday.core.errors import FAULT
from nodeday.engine import digests
from nodeday.engine.stages import STAGES

ADDRESS = "NODEDAY_WARM"
"""Variable of the environment that holds the address."""
Main = Callable[[list[str]], int]
"""Entry point of the command line: arguments in, exit code out."""


@contextmanager
def stages(command: Sequence[str]) -> Iterator[None]:
    """Have stages that child processes call start with their libraries imported, where the system can fork.

    ``command`` starts the process that calls :func:`serve`; the address comes after it.
    """
    if not hasattr(os, "fork"):
        yield
        return
    with tempfile.TemporaryDirectory(prefix="nodeday-") as folder:
        address = str(Path(folder) / "stages")
        server = subprocess.Popen([*command, address], stdin=subprocess.PIPE)
        os.environ[ADDRESS] = address
        try:
            yield
        finally:
            del os.environ[ADDRESS]
            assert server.stdin
            server.stdin.close()  # which ends the server, as this process's death would
            server.terminate()  # which it heeds while it has no job yet and imports its libraries
            server.wait()


def forward(arguments: list[str]) -> int | None:
    """Have the server process run a command; return its exit code, or None where no server answers."""
    address = os.environ.get(ADDRESS)
    if not address:
        return None
    with socket.socket(socket.AF_UNIX) as connection:
        try:
            connection.connect(address)
        except OSError:
            return None
        answer, asked = "", threading.Event()
        with suppress(OSError), connection.makefile("rw") as stream:
            socket.send_fds(connection, [b"\n"], [1, 2])
            stream.write(json.dumps({"arguments": arguments, "folder": str(Path.cwd())}) + "\n")
            stream.flush()
            with _passing_on_terminate(int(stream.readline() or 0), asked):
                answer = stream.readline()
    if not answer:
        ended = "stopped, as it was asked to" if asked.is_set() else "killed; is there enough memory?"
        print(f"nodeday: the stage was {ended}", file=sys.stderr)
    return int(answer or FAULT)


@contextmanager
def _passing_on_terminate(worker: int, asked: threading.Event) -> Iterator[None]:
    """Within the block, pass SIGTERM on to a worker, and set ``asked``; do nothing for worker 0."""

    def stop(*_: object) -> None:
        asked.set()
        os.kill(worker, signal.SIGTERM)

    before = signal.signal(signal.SIGTERM, stop) if worker else None
    try:
        yield
    finally:
        if worker:
            signal.signal(signal.SIGTERM, before)


def serve(address: str, main: Main, first: Sequence[str], later: Sequence[str] = ()) -> None:
    """Run ``main`` in a fork for each call at ``address``, until standard input ends.

    Modules of ``first`` are imported before any call is answered, those of ``later`` between calls.
    """
    atexit.register(gc.freeze)  # what is left at the end need not be searched for garbage
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the jobs
    gc.disable()  # modules stay
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(address)
        listener.listen(64)  # calls may come while the first libraries are still being imported
        malloc.keep()
        _import_first(first)
        for stage in STAGES:  # each job writes down the digest of its code
            digests.code(stage)
        waiting = deque(later)
        while sys.stdin not in (ready := _readable(listener, wait=not waiting)):
            if not ready:
                importlib.import_module(waiting.popleft())
                continue
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
            connection, _ = listener.accept()
            gc.freeze()  # and no job is to look through them, which would copy them
            if not os.fork():
                gc.enable()
                listener.close()
                _run_call(connection, main)
            connection.close()
            with suppress(ChildProcessError):
                while os.waitpid(-1, os.WNOHANG)[0]:
                    pass
    with suppress(ChildProcessError):
        while True:
            os.wait()


def _readable(listener: socket.socket, *, wait: bool) -> list[object]:
    """Return those of listener and standard input that have something to read; perhaps none without wait."""
    return select.select([listener, sys.stdin], [], [], None if wait else 0)[0]


def _import_first(modules: Sequence[str]) -> None:
    from nodeday.schemas import TABLES
    from nodeday.storage import tables

    for name in modules:
        importlib.import_module(name)
    # The schema library imports most of itself when it first looks at a frame.
    tables.validate(TABLES["gaps"], tables.empty(TABLES["gaps"]))


def _run_call(connection: socket.socket, main: Main) -> None:
    """Run the command of a call, with the folder and outputs of the process that called; never return."""
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        _, outputs, _, _ = socket.recv_fds(connection, 1, 2)
        with connection.makefile("rw") as stream:
            call = json.loads(stream.readline())
            stream.write(f"{os.getpid()}\n")
            stream.flush()
            for number, output in zip((1, 2), outputs, strict=True):
                os.dup2(output, number)
            os.chdir(call["folder"])
            try:
                code = main(call["arguments"])
            except SystemExit as end:
                code = int(end.code or 0)
            except Exception:  # a fault of ours, which its trace tells; the stage was not killed
                sys.excepthook(*sys.exc_info())
                code = FAULT
            sys.stdout.flush()
            sys.stderr.flush()
            stream.write(f"{code}\n")
    finally:
        os._exit(FAULT)
