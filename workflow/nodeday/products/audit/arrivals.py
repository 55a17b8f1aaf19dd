"""What a capture holds in numbers: frames by status, rejects by reason, and addresses that nobody listed."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.schemas.codes import FRAME_STATUS, REJECT_REASON

MOST = 20
"""Unknown addresses that are named one by one; noise that a weak checksum lets pass may hold many more."""

OUTSIDE = {"before": "before its start", "after": "from its end on", "untimed": "without a time in UTC"}


@dataclass(frozen=True)
class Arrivals:
    """Frames by status, rejects and their bytes by reason, and frames by address that is not listed.

    ``elsewhere`` are frames of addresses that the sheet lists with another layout. ``outside`` are received
    frames that the session does not take, by the columns of table ``cut``; empty where it takes all.
    """

    frames: dict[str, int]
    rejects: dict[str, int]
    reject_bytes: dict[str, int]
    unknown: dict[int, int]
    elsewhere: dict[int, int]
    outside: dict[str, int]

    def lines(self) -> list[str]:
        """Return the numbers as sentences."""
        states = ", ".join(f"{status} {count:,}" for status, count in self.frames.items())
        reasons = ", ".join(
            f"{reason} {count:,} ({self.reject_bytes[reason]:,} bytes)"
            for reason, count in self.rejects.items()
        )
        return [
            f"Frames received: {sum(self.frames.values()):,}; {states}.",
            *self._outside(),
            f"Rejected: {reasons or 'nothing'}.",
            *_named(self.unknown, "not in config/nodes.tsv"),
            *_named(self.elsewhere, "which config/nodes.tsv lists with another layout"),
        ]

    def _outside(self) -> list[str]:
        if not self.outside:
            return []
        parts = ", ".join(f"{words} {self.outside[name]:,}" for name, words in OUTSIDE.items())
        return [f"Of these not in the session: {sum(self.outside.values()):,}; {parts}."]


def count_arrivals(
    frames: pd.DataFrame, rejects: pd.DataFrame, listed: Container[int], cut: pd.DataFrame | None = None
) -> Arrivals:
    """Count the rows of ``frames`` and ``rejects``, and what ``cut`` leaves out; ``listed`` are addresses."""
    states, reasons = frames["status"].value_counts(), rejects["reason"].value_counts()
    sizes = rejects.groupby("reason", observed=True)["length"].sum()
    strange = rejects.loc[(rejects["reason"] == "unknown_node") & rejects["address"].notna(), "address"]
    addresses, counts = np.unique(strange.to_numpy(np.int64), return_counts=True)
    by_address = dict(zip(addresses.tolist(), counts.tolist(), strict=True))
    return Arrivals(
        {status: int(states.get(status, 0)) for status in FRAME_STATUS},
        {reason: int(reasons[reason]) for reason in REJECT_REASON if reasons.get(reason, 0)},
        {reason: int(sizes[reason]) for reason in REJECT_REASON if reasons.get(reason, 0)},
        {address: count for address, count in by_address.items() if address not in listed},
        {address: count for address, count in by_address.items() if address in listed},
        {} if cut is None else {name: int(cut[name].sum()) for name in OUTSIDE},
    )


def _named(addresses: dict[int, int], why: str) -> list[str]:
    largest = sorted(addresses, key=lambda address: (-addresses[address], address))
    lines = [
        f"  address {address}: {addresses[address]:,} frame{'s' * (addresses[address] != 1)}, {why}"
        for address in sorted(largest[:MOST])
    ]
    rest = largest[MOST:]
    count = sum(addresses[address] for address in rest)
    return lines + ([f"  and {len(rest)} more addresses with {count:,} frames, {why}"] if rest else [])
