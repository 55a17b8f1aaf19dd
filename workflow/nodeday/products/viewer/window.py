"""What of a channel to draw in a window of time: an envelope from afar, samples from near."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints, runs

BIN_NS = 250_000_000
"""Of the envelope that is kept: a day has 345,600."""


@dataclass
class Envelope:
    """Least and greatest value of each bin from ``start_ns``, and its samples by origin, (bins,) each.

    Filled in pieces, so that a day of samples need never be in memory.
    """

    start_ns: int
    low: Floats
    high: Floats
    received: Ints
    filled: Ints
    missing: Ints

    @classmethod
    def over(cls, start_ns: int, end_ns: int) -> Envelope:
        bins = int((end_ns - start_ns) // BIN_NS) + 1
        counts = (np.zeros(bins, np.int64) for _ in range(3))
        return cls(start_ns, np.full(bins, np.inf), np.full(bins, -np.inf), *counts)

    def add(self, utc_ns: Ints, value: Floats, filled: Bools, missing: Bools) -> None:
        """Samples (n,); the value of a missing one is not looked at, that of a filled one is no extreme."""
        at = (utc_ns - self.start_ns) // BIN_NS
        got = ~(filled | missing)
        np.minimum.at(self.low, at[got], value[got])
        np.maximum.at(self.high, at[got], value[got])
        for counts, which in ((self.received, got), (self.filled, filled), (self.missing, missing)):
            counts += np.bincount(at[which], minlength=len(counts))

    def holes(self) -> list[tuple[int, int]]:
        """Stretches [start, end) of bins in which samples are missing and none was received."""
        any_ = np.flatnonzero(self.received + self.filled + self.missing)
        first, last = runs((self.received[any_] == 0) & (self.missing[any_] > 0))
        after = np.append(any_, any_[-1:] + 1)
        return list(zip(any_[first].tolist(), after[last].tolist(), strict=True))

    def drawn(self, from_ns: int, to_ns: int, points: int) -> dict[str, Any]:
        """At most ``points`` bins of [from, to): start in ms after ``start_ns``, extremes (null where
        nothing was received), the share that is filled and missing, and spans without any sample.
        """
        first = max(int((from_ns - self.start_ns) // BIN_NS), 0)
        last = min(int((to_ns - self.start_ns) // BIN_NS) + 1, len(self.low))
        step = max(-(-(last - first) // points), 1)
        edges = np.arange(first, max(last, first + 1), step)
        low, high = (
            function.reduceat(values[:last], edges)
            for function, values in ((np.minimum, self.low), (np.maximum, self.high))
        )
        got, filled, missing = (
            np.add.reduceat(each[:last], edges) for each in (self.received, self.filled, self.missing)
        )
        total = got + filled + missing
        ms, total, silent = edges.astype(np.float64) * BIN_NS / 1e6, np.maximum(total, 1), total == 0
        return {
            "t": ms.tolist(),
            "silent": spans(ms, silent, step * BIN_NS / 1e6),
            "low": _listed(low),
            "high": _listed(high),
            "filled": np.round(filled / total, 4).tolist(),
            "missing": np.round(missing / total, 4).tolist(),
        }


def samples_drawn(
    ms: Floats, value: Floats, filled: Bools, missing: Bools, points: int
) -> dict[str, list[float | None]]:
    """Samples (n,) as a line of about ``points``, broken where samples are missing; ``fill`` is the
    same line where it was computed, with its neighbours, and null elsewhere.
    """
    from tsdownsample import MinMaxLTTBDownsampler

    there = np.flatnonzero(~missing)
    if len(there) > points:
        # Extremes first, then the largest triangles: no peak is lost (van der Donckt et al. 2023).
        thin: Any = MinMaxLTTBDownsampler
        chosen = thin().downsample(ms[there], value[there].astype(np.float32), n_out=points)
        there = there[np.asarray(chosen, np.int64)]
    holes = np.cumsum(missing)
    breaks = np.flatnonzero(np.diff(holes[there]) > 0) + 1
    beside = filled.copy()  # nothing at all where the node was off
    beside[1:] |= filled[:-1]
    beside[:-1] |= filled[1:]
    line, fill = value[there], np.where(beside[there], value[there], np.nan)
    t, line, fill = (np.insert(each.astype(np.float64), breaks, np.nan) for each in (ms[there], line, fill))
    return {"t": _listed(t), "value": _listed(line), "fill": _listed(fill)}


def spans(ms: Floats, mask: Bools, period_ms: float) -> list[tuple[float, float]]:
    """Runs of true values of ``mask`` (n,), each ``period_ms`` long from ``ms``, as [from, to) in ms."""
    first, last = runs(mask)
    last = last - 1
    return [
        (round(float(ms[a]), 3), round(float(ms[b]) + period_ms, 3)) for a, b in zip(first, last, strict=True)
    ]


def silences(ms: Floats, period_ms: float, from_ms: float, to_ms: float) -> list[tuple[float, float]]:
    """Where [from, to) has no samples at ``ms`` (n,) at all, not even missing ones: a node was off."""
    edges = np.concatenate([[from_ms - period_ms], ms, [to_ms]])
    long = np.flatnonzero(np.diff(edges) > 2 * period_ms)
    return [(round(float(edges[at]) + period_ms, 3), round(float(edges[at + 1]), 3)) for at in long]


def _listed(values: Floats) -> list[float | None]:
    """JSON has no infinity and no NaN."""
    return [None if not np.isfinite(each) else round(each, 6) for each in values.tolist()]
