"""Spectra of the heart period, by the periodogram of Lomb and Scargle on the beats' own times.

Band powers of each window: bands after the Task Force of the ESC and NASPE 1996, from memory. No interval is
made up for a lost one; what is missing has no weight.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.core.parallel import Across
from nodeday.stages.features.windows import SECOND

BANDS_HZ = {"vlf": (1 / 300, 0.04), "lf": (0.04, 0.15), "hf": (0.15, 0.4)}
STEPS = 2.0
"""Frequencies of the grid in each 1 / length."""
AT_ONCE = 4
"""Windows that overlap share their sines and cosines; so many windows' lengths are held at once."""


@dataclass(frozen=True)
class Basis:
    """What intervals need for their spectrum whatever their weights.

    ``frequency`` (f,) in Hz and ``seconds`` (n,); ``waves`` (n, 2 f) are the cosines and sines of their
    angles, ``products`` (n, 2 f) the cosines times both. Powers do not depend on where the seconds begin.
    """

    frequency: Floats
    seconds: Any
    waves: Any
    products: Any

    def part(self, low: int, high: int) -> Basis:
        """Return the basis of intervals [low, high)."""
        rows = slice(low, high)
        return Basis(self.frequency, self.seconds[rows], self.waves[rows], self.products[rows])


def frequencies(seconds: float) -> Floats:
    """Return the grid of frequencies (f,) in Hz for windows of ``seconds``."""
    return np.arange(BANDS_HZ["vlf"][0], BANDS_HZ["hf"][1], 1 / (STEPS * seconds))


def wave_basis(seconds: Floats, frequency: Floats, dtype: DTypeLike = np.float64) -> Basis:
    """Return the basis of intervals that end at ``seconds`` (n,), in the precision ``dtype``.

    Steps of ``frequency`` (f,) are even.
    """
    angle = 2 * np.pi * np.asarray(seconds)[:, None]
    if dtype == np.float64:
        turn = _turns(angle, frequency)
        waves = np.empty((len(turn), 2, len(frequency)))
        waves[:, 0], waves[:, 1] = turn.real, turn.imag
    else:  # sines of single precision are as quick
        phase = (angle * frequency).astype(dtype)
        waves = np.empty((len(phase), 2, len(frequency)), dtype)
        np.cos(phase, out=waves[:, 0])
        np.sin(phase, out=waves[:, 1])
    products = waves[:, :1] * waves
    shape = len(angle), 2 * len(frequency)
    return Basis(frequency, np.asarray(seconds, dtype), waves.reshape(shape), products.reshape(shape))


def _turns(angle: Floats, frequency: Floats) -> NDArray[np.complex128]:
    """Return exp(i angle f) of ``angle`` (n, 1), (n, f), each half of the frequencies from the half below."""
    turns = np.empty((len(angle), len(frequency)), np.complex128)
    turns[:, :1] = np.exp(1j * angle * frequency[:1])
    done = 1
    while done < len(frequency):
        more = turns[:, done : 2 * done]
        step = np.exp(1j * angle * (frequency[done] - frequency[0]))
        np.multiply(turns[:, : more.shape[1]], step, out=more)
        done *= 2
    return turns


def density(basis: Basis, rr_ms: Floats, weights: Any) -> Any:
    """Return the one-sided power density (k, f) in ms^2/Hz for each row of ``weights`` (k, n), 0 or 1.

    Of the intervals ``rr_ms`` (n,) or (k, n), from which a straight line is taken off first.
    P = (YC^2 SS + YS^2 CC - 2 YC YS CS) / (2 (CC SS - CS^2)), which is Lomb's periodogram without his shift
    of time (Lomb 1976, Scargle 1982); density = 2 P T / N, so that its integral is the variance. T is the
    time that a row's intervals span, with one interval more.
    """
    half = len(basis.frequency)
    both, square = _detrended(basis.seconds, rr_ms, weights) @ basis.waves, weights @ basis.products
    yc, ys, cc, cs = both[:, :half], both[:, half:], square[:, :half], square[:, half:]
    count = weights.sum(axis=1, keepdims=True)
    ss = count - cc
    determinant = np.maximum(cc * ss - cs**2, 1e-9)
    power = (yc**2 * ss + ys**2 * cc - 2 * yc * ys * cs) / determinant
    return power * _span(basis.seconds, weights) / np.maximum(count - 1, 1)


def _span(seconds: Any, weights: Any) -> Any:
    """Return the seconds (k, 1) from the first to the last interval that has weight."""
    first = np.argmax(weights > 0, axis=1)
    last = len(seconds) - 1 - np.argmax(weights[:, ::-1] > 0, axis=1)
    return (seconds[last] - seconds[first])[:, None]


def _detrended(seconds: Any, rr_ms: Floats, weights: Any) -> Any:
    """Return the weighted intervals (k, n) less mean and slope of those that have weight."""
    at = seconds - seconds.mean()
    rr = (rr_ms - rr_ms.mean()).astype(weights.dtype)  # small numbers, for single precision
    count = np.maximum(weights.sum(axis=1, keepdims=True), 1)
    mean_t, mean_y = ((weights * values).sum(axis=1, keepdims=True) / count for values in (at, rr))
    square = (weights @ at**2)[:, None] - count * mean_t**2
    product = (weights * rr) @ at[:, None] - count * mean_t * mean_y
    slope = product / np.maximum(square, 1e-12)
    return weights * (rr - mean_y - slope * (at - mean_t))


def band_powers(basis: Basis, rr_ms: Floats, weights: Any) -> dict[str, Floats]:
    """Return the absolute power (k,) in ms^2 of each band; arguments as of :func:`density`."""
    width = basis.frequency[1] - basis.frequency[0]
    edges = np.searchsorted(basis.frequency, [low for low, _ in BANDS_HZ.values()])
    powers = np.add.reduceat(density(basis, rr_ms, weights), edges, axis=1) * width
    return dict(zip(BANDS_HZ, powers.T, strict=True))


# --- many windows at once -----------------------------------------------------------------


@dataclass(frozen=True)
class SpectrumRows:
    """Spectra (k,) to be computed.

    Windows [start, end), and which row of ``use`` (m, b) each takes: the beats whose interval counts.
    """

    starts_ns: Ints
    ends_ns: Ints
    use: Bools
    which: Ints


@dataclass(frozen=True)
class SpectrumBatch:
    """Groups of rows that share one basis, of beats [begin, end)."""

    begin: int
    end: int
    groups: list[Ints]


@dataclass(frozen=True)
class SpectrumWork:
    """What the spectra of ``rows`` (k,) are computed from.

    Beats ``at_ns`` (b,) and intervals ``rr`` (b,) in ms; the half-open range of beats [low, high) of each
    row, (k,) each; the grid of ``frequency`` (f,); the precision ``dtype``.
    """

    at_ns: Ints
    rr: Floats
    rows: SpectrumRows
    low: Ints
    high: Ints
    frequency: Floats
    dtype: DTypeLike

    def batches(self, start_share: float) -> Iterator[SpectrumBatch]:
        """Yield all rows in order, those of windows that overlap in one batch."""
        batch = SpectrumBatch(0, 0, [])
        for group in _grouped(self.low, self.high, start_share):
            first, last = int(self.low[group[0]]), int(self.high[group].max())
            if last > batch.end:
                if batch.groups:
                    yield batch
                length = int(self.high[group[0]]) - first
                end = min(max(first + AT_ONCE * length, last), len(self.at_ns))
                batch = SpectrumBatch(first, end, [])
            batch.groups.append(group)
        if batch.groups:
            yield batch

    def powers(self, batch: SpectrumBatch) -> tuple[Ints, NDArray[np.floating]]:
        """Return the rows (j,) of a batch that hold enough intervals, and their power (bands, j)."""
        seconds = (self.at_ns[batch.begin : batch.end] - self.at_ns[batch.begin : batch.begin + 1]) / SECOND
        shared, rows = wave_basis(seconds, self.frequency, self.dtype), self.rows
        done, powers = [np.zeros(0, np.int64)], [np.zeros((len(BANDS_HZ), 0), self.dtype)]
        for group in batch.groups:
            first, last = int(self.low[group[0]]), int(self.high[group].max())
            weights = rows.use[rows.which[group], first:last].astype(self.dtype)
            if len(group) > 1 and (np.ptp(self.low[group]) or np.ptp(self.high[group])):
                beat = np.arange(first, last)
                weights *= (beat >= self.low[group, None]) & (beat < self.high[group, None])
            enough = weights.sum(axis=1) > 2
            if enough.any():
                basis = shared.part(first - batch.begin, last - batch.begin)
                done.append(group[enough])
                of_bands = band_powers(basis, self.rr[first:last], weights[enough])
                powers.append(np.stack([*of_bands.values()]))
        return np.concatenate(done), np.concatenate(powers, axis=1)


def powers_of(
    at_ns: Ints,
    rr_ms: Floats,
    rows: SpectrumRows,
    seconds: float,
    dtype: DTypeLike = np.float64,
    start_share: float = 0.0,
    across: Across = map,
) -> dict[str, Floats]:
    """Return the absolute power (k,) in ms^2 of each band in each of ``rows``; NaN below three intervals.

    From beats ``at_ns`` (b,) and the intervals ``rr_ms`` (b,) before them. ``seconds`` is the length of the
    longest window. Windows that begin within ``start_share`` of a length of each other are computed at once:
    where each has few rows, that is quicker.
    """
    low, high = (np.searchsorted(at_ns, edges) for edges in (rows.starts_ns, rows.ends_ns))
    work = SpectrumWork(at_ns, np.nan_to_num(rr_ms), rows, low, high, frequencies(seconds), dtype)
    powers = np.full((len(BANDS_HZ), len(rows.which)), np.nan)
    for done, of_bands in across(work.powers, work.batches(start_share)):
        powers[:, done] = of_bands
    return dict(zip(BANDS_HZ, powers, strict=True))


def _grouped(low: Ints, high: Ints, start_share: float) -> Iterator[Ints]:
    """Yield rows (j,) of windows of beats [low, high) that begin near each other, in order.

    Near is within ``start_share`` of the length of the first one; rows of one window are never parted.
    """
    order = np.lexsort((high, low))
    first, last = low[order], high[order]
    edges = np.concatenate([np.flatnonzero(np.diff(first) | np.diff(last)) + 1, [len(order)]])
    at = 0
    while at < len(order):
        near = np.searchsorted(first, first[at] + start_share * (last[at] - first[at]))
        stop = int(edges[np.searchsorted(edges, max(near, at + 1))])
        yield order[at:stop]
        at = stop
