"""Power of the heart period's bands, by the periodogram of Lomb and Scargle on the beats' own times.

Bands: Task Force of the ESC and NASPE 1996, from memory. No interval is made up for a lost one; what
is missing has no weight.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.core.parallel import Across

BANDS_HZ = {"vlf": (1 / 300, 0.04), "lf": (0.04, 0.15), "hf": (0.15, 0.4)}
STEPS = 2.0
"""Frequencies of the grid in each 1 / length."""
AT_ONCE = 4
"""Windows that overlap share their sines and cosines; so many windows' lengths are held at once."""
SECOND = 1_000_000_000


@dataclass(frozen=True)
class Basis:
    """What intervals need for their spectrum whatever their weights: ``frequency`` (f,), ``seconds`` (n,);
    cosines and sines of their angles, ``waves``, and cosines squared and times sines, ``products``, (n, 2
    f) each. Powers do not depend on where the seconds begin.
    """

    frequency: Floats
    seconds: Any
    waves: Any
    products: Any

    def part(self, low: int, high: int) -> Basis:
        """That of intervals [low, high)."""
        own = slice(low, high)
        return Basis(self.frequency, self.seconds[own], self.waves[own], self.products[own])


def frequencies(seconds: float) -> Floats:
    """The grid (f,) for windows of ``seconds``."""
    return np.arange(BANDS_HZ["vlf"][0], BANDS_HZ["hf"][1], 1 / (STEPS * seconds))


def basis(seconds: Floats, frequency: Floats, kind: DTypeLike = np.float64) -> Basis:
    """For intervals that end at ``seconds`` (n,) and even steps of ``frequency`` (f,), in the precision
    ``kind``.
    """
    angle = 2 * np.pi * np.asarray(seconds)[:, None]
    if kind == np.float64:
        turn = _turns(angle, frequency)
        waves = np.empty((len(turn), 2, len(frequency)))
        waves[:, 0], waves[:, 1] = turn.real, turn.imag
    else:  # sines of single precision are as quick
        own = (angle * frequency).astype(kind)
        waves = np.empty((len(own), 2, len(frequency)), kind)
        np.cos(own, out=waves[:, 0])
        np.sin(own, out=waves[:, 1])
    products = waves[:, :1] * waves
    shape = len(angle), 2 * len(frequency)
    return Basis(frequency, np.asarray(seconds, kind), waves.reshape(shape), products.reshape(shape))


def _turns(angle: Floats, frequency: Floats) -> NDArray[np.complex128]:
    """exp(i angle f) of ``angle`` (n, 1), (n, f), each half of the frequencies from the half below it."""
    out = np.empty((len(angle), len(frequency)), np.complex128)
    out[:, :1] = np.exp(1j * angle * frequency[:1])
    done = 1
    while done < len(frequency):
        more = out[:, done : 2 * done]
        step = np.exp(1j * angle * (frequency[done] - frequency[0]))
        np.multiply(out[:, : more.shape[1]], step, out=more)
        done *= 2
    return out


def density(of: Basis, rr_ms: Floats, weights: Any) -> Any:
    """One-sided power density (k, f) in ms^2/Hz of the intervals ``rr_ms`` (n,) or (k, n), for each row of
    ``weights`` (k, n), 0 or 1; a straight line is taken off first.

    P = (YC^2 SS + YS^2 CC - 2 YC YS CS) / (2 (CC SS - CS^2)), which is Lomb's periodogram
    without his shift of time (Lomb 1976, Scargle 1982); density = 2 P T / N, so that its
    integral is the variance. T is the time that a row's intervals span, with one interval more.
    """
    half = len(of.frequency)
    both, square = _detrended(of.seconds, rr_ms, weights) @ of.waves, weights @ of.products
    yc, ys, cc, cs = both[:, :half], both[:, half:], square[:, :half], square[:, half:]
    count = weights.sum(axis=1, keepdims=True)
    ss = count - cc
    whole = np.maximum(cc * ss - cs**2, 1e-9)
    power = (yc**2 * ss + ys**2 * cc - 2 * yc * ys * cs) / whole
    return power * _span(of.seconds, weights) / np.maximum(count - 1, 1)


def _span(seconds: Any, weights: Any) -> Any:
    """Seconds (k, 1) from the first to the last interval that has weight."""
    first = np.argmax(weights > 0, axis=1)
    last = len(seconds) - 1 - np.argmax(weights[:, ::-1] > 0, axis=1)
    return (seconds[last] - seconds[first])[:, None]


def _detrended(seconds: Any, rr_ms: Floats, weights: Any) -> Any:
    """Weighted intervals (k, n) without mean and slope, which are those of what has weight."""
    at = seconds - seconds.mean()
    rr = (rr_ms - rr_ms.mean()).astype(weights.dtype)  # small numbers, for single precision
    count = np.maximum(weights.sum(axis=1, keepdims=True), 1)
    mean_t, mean_y = ((weights * each).sum(axis=1, keepdims=True) / count for each in (at, rr))
    square = (weights @ at**2)[:, None] - count * mean_t**2
    product = (weights * rr) @ at[:, None] - count * mean_t * mean_y
    slope = product / np.maximum(square, 1e-12)
    return weights * (rr - mean_y - slope * (at - mean_t))


def band_powers(of: Basis, rr_ms: Floats, weights: Any) -> dict[str, Floats]:
    """Absolute power (k,) in ms^2 of each band."""
    width = of.frequency[1] - of.frequency[0]
    edges = np.searchsorted(of.frequency, [low for low, _ in BANDS_HZ.values()])
    powers = np.add.reduceat(density(of, rr_ms, weights), edges, axis=1) * width
    return dict(zip(BANDS_HZ, powers.T, strict=True))


@dataclass(frozen=True)
class SpectrumRows:
    """Spectra (k,) to be computed: windows [start, end), and which row of ``use`` (m, b) says which of the
    beats' intervals count.
    """

    starts_ns: Ints
    ends_ns: Ints
    use: Bools
    which: Ints


@dataclass(frozen=True)
class Bunch:
    """Groups of rows of one basis, that of beats [begin, end)."""

    begin: int
    end: int
    groups: list[Ints]


@dataclass(frozen=True)
class Work:
    """What spectra are computed from: beats ``at_ns`` (b,) and intervals ``rr`` (b,), what is asked for, and
    the half-open range of beats of each row, (k,).
    """

    at_ns: Ints
    rr: Floats
    rows: SpectrumRows
    low: Ints
    high: Ints
    frequency: Floats
    kind: DTypeLike

    def bunches(self, joined: float) -> Iterator[Bunch]:
        """All rows in order, those of windows that overlap in one bunch."""
        bunch = Bunch(0, 0, [])
        for own in _together(self.low, self.high, joined):
            first, last = int(self.low[own[0]]), int(self.high[own].max())
            if last > bunch.end:
                if bunch.groups:
                    yield bunch
                length = int(self.high[own[0]]) - first
                bunch = Bunch(first, min(max(first + AT_ONCE * length, last), len(self.at_ns)), [])
            bunch.groups.append(own)
        if bunch.groups:
            yield bunch

    def powers(self, bunch: Bunch) -> tuple[Ints, NDArray[np.floating]]:
        """Rows (j,) of a bunch that hold enough intervals, and their power in each band (bands, j)."""
        seconds = (self.at_ns[bunch.begin : bunch.end] - self.at_ns[bunch.begin : bunch.begin + 1]) / SECOND
        many, rows = basis(seconds, self.frequency, self.kind), self.rows
        told, powers = [np.zeros(0, np.int64)], [np.zeros((len(BANDS_HZ), 0), self.kind)]
        for own in bunch.groups:
            first, last = int(self.low[own[0]]), int(self.high[own].max())
            weights = rows.use[rows.which[own], first:last].astype(self.kind)
            if len(own) > 1 and (np.ptp(self.low[own]) or np.ptp(self.high[own])):
                place = np.arange(first, last)
                weights *= (place >= self.low[own, None]) & (place < self.high[own, None])
            enough = weights.sum(axis=1) > 2
            if enough.any():
                of = many.part(first - bunch.begin, last - bunch.begin)
                told.append(own[enough])
                powers.append(np.stack([*band_powers(of, self.rr[first:last], weights[enough]).values()]))
        return np.concatenate(told), np.concatenate(powers, axis=1)


def powers_of(
    at_ns: Ints,
    rr_ms: Floats,
    rows: SpectrumRows,
    seconds: float,
    kind: DTypeLike = np.float64,
    joined: float = 0.0,
    across: Across = map,
) -> dict[str, Floats]:
    """Absolute power (k,) in ms^2 of each band in each of ``rows``, from beats ``at_ns`` (b,) and the
    intervals ``rr_ms`` (b,) before them; NaN below two intervals. ``seconds`` are the longest window's.
    Windows are computed at once that begin within a share of their length, ``joined``: where each has few
    rows, that is quicker.
    """
    low, high = (np.searchsorted(at_ns, each) for each in (rows.starts_ns, rows.ends_ns))
    work = Work(at_ns, np.nan_to_num(rr_ms), rows, low, high, frequencies(seconds), kind)
    powers = np.full((len(BANDS_HZ), len(rows.which)), np.nan)
    for own, found in across(work.powers, work.bunches(joined)):
        powers[:, own] = found
    return dict(zip(BANDS_HZ, powers, strict=True))


def _together(low: Ints, high: Ints, joined: float) -> Iterator[Ints]:
    """Rows (j,) of windows of beats [low, high) that begin within a share ``joined`` of the first one's
    length, in order; those of one window are never parted.
    """
    order = np.lexsort((high, low))
    first, last = low[order], high[order]
    edges = np.concatenate([np.flatnonzero(np.diff(first) | np.diff(last)) + 1, [len(order)]])
    at = 0
    while at < len(order):
        near = np.searchsorted(first, first[at] + joined * (last[at] - first[at]))
        stop = int(edges[np.searchsorted(edges, max(near, at + 1))])
        yield order[at:stop]
        at = stop


LOW_HZ, HIGH_HZ, STEP_HZ, EDGE = 0.1, 0.7, 0.005, 3
"""6 to 42 breaths a minute."""
AGREE_HZ, LEAST_BEATS, LEAST_SHARE = 0.04, 20, 0.25
"""At least two of three have their peak within 2.4 breaths a minute of the fused one, and so much of the
power of the mean spectrum lies there."""


def breaths_per_minute(seconds: Floats, modulations: Floats) -> float:
    """From ``modulations`` (3, b) sampled at beats at ``seconds`` (b,); NaN where fewer than two of them
    agree, or too few beats tell. Nothing is told above half the rate of the beats.
    """
    if len(seconds) < LEAST_BEATS:
        return float("nan")
    nyquist = 0.5 / float(np.median(np.diff(seconds)))
    frequency = np.arange(LOW_HZ, min(HIGH_HZ, 0.95 * nyquist), STEP_HZ)
    if len(frequency) <= 2 * EDGE:
        return float("nan")
    of = basis(seconds, frequency)
    spectra = density(of, _tamed(modulations), np.ones(modulations.shape))
    total = spectra.sum(axis=1, keepdims=True)
    spectra = np.divide(spectra, total, out=np.zeros_like(spectra), where=total > 0)
    fused = spectra.mean(axis=0)
    top = int(fused.argmax())
    near = np.abs(frequency - frequency[top]) <= AGREE_HZ
    agree = np.abs(frequency[spectra.argmax(axis=1)] - frequency[top]) <= AGREE_HZ
    # A peak at an edge is the flank of one beyond it.
    inside = EDGE <= top < len(frequency) - EDGE
    if not inside or agree.sum() < 2 or fused[near].sum() < LEAST_SHARE:
        return float("nan")
    before, at, after = fused[top - 1 : top + 2]
    bend = before - 2 * at + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(60 * (frequency[top] + shift * STEP_HZ))


def _tamed(values: Floats) -> Floats:
    """``values`` (3, b) with outliers drawn in to three quartile deviations of the median of each, so that
    one odd beat does not make the spectrum.
    """
    low, middle, high = np.percentile(values, [25, 50, 75], axis=1, keepdims=True)
    reach = 3 * np.maximum(high - low, 1e-12)
    return np.asarray(np.clip(values, middle - reach, middle + reach), np.float64)
