"""Payloads of a column of the table ``frames`` as one matrix of bytes, without a copy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
from numpy.typing import NDArray

from nodeday.errors import ContractError


def payload_matrix(
    payload: pd.Series[Any] | arrow.ChunkedArray, size: int, where: str = "table frames"
) -> NDArray[np.uint8]:
    """Payloads of ``size`` bytes each as a (n, size) view of the Arrow buffer; ContractError if unequal."""
    whole = payload if isinstance(payload, arrow.ChunkedArray) else arrow.array(payload)
    joined = whole.combine_chunks() if isinstance(whole, arrow.ChunkedArray) else whole
    if not len(joined):
        return np.zeros((0, size), np.uint8)
    _, offset_bytes, data = joined.buffers()
    wide = np.int64 if arrow.types.is_large_binary(joined.type) else np.int32
    offsets = np.frombuffer(offset_bytes, wide)[joined.offset : joined.offset + len(joined) + 1]
    if (np.diff(offsets) != size).any():
        raise ContractError("payloads of unequal length", where, f"{size} bytes each")
    return np.frombuffer(data, np.uint8)[offsets[0] : offsets[-1]].reshape(len(joined), size)
