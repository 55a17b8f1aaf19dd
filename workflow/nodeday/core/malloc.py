"""Memory of finished arrays stays with the process for the next ones.

Otherwise glibc returns it to the system, which clears it again at the next use: a filter over some
megabytes takes twice as long.
"""

from __future__ import annotations

import ctypes
from contextlib import suppress

TRIM_THRESHOLD, MMAP_THRESHOLD = -1, -3
"""Names of parameters in glibc's ``malloc.h``; mallopt(3)."""
KEPT_BYTES = 256 << 20
"""Free memory up to so much stays with the process."""
SHARED_BYTES = 32 << 20
"""Arrays up to so large, the most that glibc takes, share that memory; a larger one is mapped apart."""


def keep() -> None:
    """Set this for the process and its forks, where the C library is glibc; elsewhere do nothing."""
    with suppress(OSError, AttributeError, TypeError):
        libc = ctypes.CDLL(None)
        libc.mallopt(MMAP_THRESHOLD, SHARED_BYTES)
        libc.mallopt(TRIM_THRESHOLD, KEPT_BYTES)
