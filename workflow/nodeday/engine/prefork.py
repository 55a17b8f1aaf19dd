"""Stages that need not import their libraries again: one process has them, and forks for each job.

A rule calls `nodeday stage NAME SESSION` or `nodeday export package`, whatever runs it. Where the environment
names the address of such a process, that call hands on its arguments, folder and outputs and waits for the
exit code; where there is none, or it does not answer, the call does the work itself. Importing costs a stage
about a second, so that a study of thirty sessions saves minutes of processor time.
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
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from nodeday.core import malloc
from nodeday.core.errors import FAULT

ADDRESS = "NODEDAY_WARM"
FIRST = ("nodeday.cli.commands.basic", "nodeday.stages.frames.stage")
"""What a run begins with."""
THEN = (
    *(f"nodeday.stages.{name}.stage" for name in ("loss", "clock", "repair", "features", "study", "report")),
    "pyarrow.dataset",
    "nodeday.cli.commands.dataset",
    "nodeday.products.export.methods",
    "nodeday.products.export.package",
)


@contextmanager
def stages() -> Iterator[None]:
    """While the block lasts, stages that child processes call start warm, where the system can fork."""
    if not hasattr(os, "fork"):
        yield
        return
    with tempfile.TemporaryDirectory(prefix="nodeday-") as folder:
        address = str(Path(folder) / "stages")
        command = [sys.executable, "-m", "nodeday.engine.prefork", address]
        server = subprocess.Popen(command, stdin=subprocess.PIPE)
        os.environ[ADDRESS] = address
        try:
            yield
        finally:
            del os.environ[ADDRESS]
            assert server.stdin
            server.stdin.close()  # which tells the server to end, as this process's death would
            server.terminate()  # which it heeds while it has no job yet and reads its libraries
            server.wait()


def called(arguments: list[str]) -> int | None:
    """Exit code of the command ``arguments``, run by a warm process; None where there is none."""
    address = os.environ.get(ADDRESS)
    if not address:
        return None
    with socket.socket(socket.AF_UNIX) as connection:
        try:
            connection.connect(address)
        except OSError:
            return None
        answer = ""
        with suppress(OSError), connection.makefile("rw") as talk:
            socket.send_fds(connection, [b"\n"], [1, 2])
            talk.write(json.dumps({"arguments": arguments, "folder": str(Path.cwd())}) + "\n")
            talk.flush()
            worker = int(talk.readline() or 0)
            if worker:
                signal.signal(signal.SIGTERM, lambda *_: os.kill(worker, signal.SIGTERM))
            answer = talk.readline()
    if not answer:
        print("nodeday: the stage was killed; is there enough memory?", file=sys.stderr)
    return int(answer or FAULT)


def _serve(address: str) -> None:
    """Fork for each call at ``address`` until standard input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the jobs
    gc.disable()  # modules stay
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(address)
        listener.listen(64)  # calls may come while the first libraries are still being read
        malloc.keep()
        _read_first()
        unread = deque(THEN)
        while sys.stdin not in (told := _told(listener, wait=not unread)):
            if not told:
                importlib.import_module(unread.popleft())
                continue
            signal.signal(signal.SIGTERM, signal.SIG_IGN)
            connection, _ = listener.accept()
            gc.freeze()  # and no job is to look through them, which would copy them
            if not os.fork():
                gc.enable()
                listener.close()
                _work(connection)
            connection.close()
            with suppress(ChildProcessError):
                while os.waitpid(-1, os.WNOHANG)[0]:
                    pass
    with suppress(ChildProcessError):
        while True:
            os.wait()


def _told(listener: socket.socket, *, wait: bool) -> list[object]:
    """What has something to say of a call that came and of the end; perhaps nothing, if not to ``wait``."""
    return select.select([listener, sys.stdin], [], [], None if wait else 0)[0]


def _read_first() -> None:
    from nodeday.schemas import TABLES
    from nodeday.storage import tables

    for name in FIRST:
        importlib.import_module(name)
    # The schema library reads most of itself when it first looks at a frame.
    tables.validate(TABLES["gaps"], tables.empty(TABLES["gaps"]))


def _work(connection: socket.socket) -> None:
    """Do what a call asks for, as the process that called would; never returns."""
    from nodeday.cli.main import main

    code = FAULT
    try:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        _, outputs, _, _ = socket.recv_fds(connection, 1, 2)
        with connection.makefile("rw") as talk:
            told = json.loads(talk.readline())
            talk.write(f"{os.getpid()}\n")
            talk.flush()
            for own, given in zip((1, 2), outputs, strict=True):
                os.dup2(given, own)
            os.chdir(told["folder"])
            code = main(told["arguments"])
            sys.stdout.flush()
            sys.stderr.flush()
            talk.write(f"{code}\n")
    except BaseException:
        sys.excepthook(*sys.exc_info())
        sys.stderr.flush()
    finally:
        os._exit(code)


if __name__ == "__main__":
    atexit.register(gc.freeze)  # what is still there in the end need not be searched for what is not
    _serve(sys.argv[1])
