"""Data to draw of a channel in a window of time: an envelope from afar, samples from near."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints, runs

BIN_NS = 250_000_000
"""Length of a bin of an envelope: a day has 345,600."""


@dataclass
class Envelope:
    """Least and greatest value of each bin from ``start_ns``, and its samples by origin, (bins,) each.

    It is filled in pieces, so that a day of samples need never be in memory.
    """

    start_ns: int
    low: Floats
    high: Floats
    received: Ints
    filled: Ints
    missing: Ints

    @classmethod
    def over(cls, start_ns: int, end_ns: int) -> Envelope:
        """Return an envelope without samples."""
        bins = int((end_ns - start_ns) // BIN_NS) + 1
        counts = (np.zeros(bins, np.int64) for _ in range(3))
        return cls(start_ns, np.full(bins, np.inf), np.full(bins, -np.inf), *counts)

    def add(self, utc_ns: Ints, value: Floats, filled: Bools, missing: Bools) -> None:
        """Add samples (n,); only values of received ones make the extremes."""
        # The session's edges are rounded: a sample may lie a few nanoseconds beyond them.
        at = ((utc_ns - self.start_ns) // BIN_NS).clip(0, len(self.low) - 1)
        got = ~(filled | missing)
        np.minimum.at(self.low, at[got], value[got])
        np.maximum.at(self.high, at[got], value[got])
        for counts, which in ((self.received, got), (self.filled, filled), (self.missing, missing)):
            counts += np.bincount(at[which], minlength=len(counts))

    def holes(self) -> list[tuple[int, int]]:
        """Return stretches [start, end) of bins in which samples are missing and none was received."""
        with_samples = np.flatnonzero(self.received + self.filled + self.missing)
        first, last = runs((self.received[with_samples] == 0) & (self.missing[with_samples] > 0))
        after = np.append(with_samples, with_samples[-1:] + 1)
        return list(zip(with_samples[first].tolist(), after[last].tolist(), strict=True))

    def drawn(self, from_ns: int, to_ns: int, points: int) -> dict[str, Any]:
        """Return at most ``points`` bins of [from, to).

        ``t`` are their starts in ms after ``start_ns``, ``low`` and ``high`` the extremes (null where
        nothing was received), ``filled`` and ``missing`` shares (0 to 1), ``silent`` the spans without any
        sample.
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
            np.add.reduceat(counts[:last], edges) for counts in (self.received, self.filled, self.missing)
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
    """Return samples (n,) as a line of about ``points``, broken where samples are missing.

    ``fill`` is that line where it was computed, with the neighbours of computed samples, and null
    elsewhere.
    """
    from tsdownsample import MinMaxLTTBDownsampler

    index = np.flatnonzero(~missing)
    if len(index) > points:
        # Extremes first, then the largest triangles: no peak is lost (van der Donckt et al. 2023).
        thin: Any = MinMaxLTTBDownsampler
        chosen = thin().downsample(ms[index], value[index].astype(np.float32), n_out=points)
        index = index[np.asarray(chosen, np.int64)]
    holes = np.cumsum(missing)
    breaks = np.flatnonzero(np.diff(holes[index]) > 0) + 1
    near = filled.copy()  # nothing at all where the node was off
    near[1:] |= filled[:-1]
    near[:-1] |= filled[1:]
    line, fill = value[index], np.where(near[index], value[index], np.nan)
    t, line, fill = (np.insert(part.astype(np.float64), breaks, np.nan) for part in (ms[index], line, fill))
    return {"t": _listed(t), "value": _listed(line), "fill": _listed(fill)}


def spans(ms: Floats, mask: Bools, period_ms: Floats | float) -> list[tuple[float, float]]:
    """Return runs of ``mask`` (n,) as [from, to) in ms; a sample lasts ``period_ms`` from its ``ms``."""
    ends = ms + period_ms
    return [(round(float(ms[a]), 3), round(float(ends[b - 1]), 3)) for a, b in zip(*runs(mask), strict=True)]


def silences(
    ms: Floats, period_ms: Floats | float, from_ms: float, to_ms: float
) -> list[tuple[float, float]]:
    """Return spans of [from, to) without samples at ``ms`` (n,), not even missing ones: a node was off.

    A sample lasts ``period_ms`` from its ``ms``, and so does one before the window.
    """
    lasts = np.broadcast_to(period_ms, len(ms))
    lasts = np.concatenate([lasts[:1] if len(ms) else [0.0], lasts])
    edges = np.concatenate([[from_ms - lasts[0]], ms, [to_ms]])
    long = np.flatnonzero(np.diff(edges) > 2 * lasts)
    return [(round(float(edges[at] + lasts[at]), 3), round(float(edges[at + 1]), 3)) for at in long]


def _listed(values: Floats) -> list[float | None]:
    """Values as JSON has them: null for infinity and NaN."""
    return [round(value, 6) if np.isfinite(value) else None for value in values.tolist()]
