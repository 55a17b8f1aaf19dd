"""Memory of arrays that a stage is done with stays for the next ones.

Else glibc hands it back to the system, which clears it anew: a filter over some megabytes takes
twice as long.
"""

from __future__ import annotations

import ctypes
from contextlib import suppress

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3
"""Names of parameters in glibc's ``malloc.h``; mallopt(3)."""
KEPT, OWN = 256 << 20, 32 << 20
"""Bytes: so much that is free stays; arrays up to so large, the most that glibc takes, share it."""


def keep() -> None:
    """Do so in this process and its forks, where the C library is one that can."""
    with suppress(OSError, AttributeError, TypeError):
        libc = ctypes.CDLL(None)
        libc.mallopt(MMAP_THRESHOLD, OWN)
        libc.mallopt(TRIM_THRESHOLD, KEPT)
