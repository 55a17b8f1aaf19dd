"""The codes of a frame's status and of a reject's reason, as numbers in arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nodeday.schemas import codes

States = NDArray[np.int8]
Reasons = NDArray[np.int8]

STATUS = tuple(codes.FRAME_STATUS)
GOOD, DUPLICATE, CONFLICT, LATE, INCONSISTENT, UNPLACED = (
    np.int8(STATUS.index(each))
    for each in ("good", "duplicate", "conflict", "late", "inconsistent", "unplaced")
)
"""Places in ``codes.FRAME_STATUS``."""
IN_ORDER = (GOOD, LATE)
DISTINCT = tuple(np.int8(STATUS.index(each)) for each in codes.DISTINCT)
COPIES = DUPLICATE, CONFLICT

REASON = tuple(codes.REJECT_REASON)
BAD_CHECKSUM, BAD_STUFFING, TRUNCATED, UNKNOWN_KIND, IMPLAUSIBLE = (
    np.int8(REASON.index(each))
    for each in ("bad_checksum", "bad_stuffing", "truncated", "unknown_kind", "implausible")
)
"""Places in ``codes.REJECT_REASON``."""
NO_REASON = np.int8(-1)
