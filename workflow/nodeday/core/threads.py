"""One thread for linear algebra, so that a stage gives the same bits on any number of cores.

A sum over several threads adds in an order that depends on how many there are.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from threadpoolctl import threadpool_limits

VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""What a library of linear algebra reads when it is loaded."""


@contextmanager
def one_thread() -> Iterator[None]:
    """Let linear algebra use one thread in the block, in this process and in its forks.

    Each stage's ``run`` has it as its decorator::

        @one_thread()
        def run(study: Study, session: str) -> None: ...

    Libraries that are loaded get their number of threads back after the block; one that is loaded
    in the block stays at one thread.
    """
    before = {name: os.environ.get(name) for name in VARIABLES}
    os.environ.update(dict.fromkeys(VARIABLES, "1"))
    try:
        with threadpool_limits(1):
            yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
