"""Values of a stream on a grid of UTC that all nodes share, with the origin and quality they rest on.

::

    samples      o o o o o o o o o o o (  lost  ) o o o o o o o o o o o
    grid         k  k  k  k  k  l  l  l  -  -  -  l  l  l  k  k  k  k

``k`` an instant whose kernel touches received or filled samples only: a band-limited value; ``l`` one so
near a gap that the kernel would touch it: a straight line between its two neighbours, marked ``near_gap``;
``-`` missing.

Three parts, in this order: the kernel, a low-pass filter (:func:`kernel`, :func:`interpolate`); the grid
(:func:`grid`, :func:`grid_range`); and the stream on it (:func:`on_grid`).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Floats, Ints, Singles, runs, spread
from nodeday.stages.repair.quality import (
    CLIPPED,
    FLAT,
    GOOD,
    INTERPOLATED,
    LEAD_OFF,
    MEASURED,
    MISSING,
    NEAR_GAP,
    NOT_MEASURED,
    PATTERN_FILL,
    RECOVERED,
    SHORT_FILL,
)

PASS, STOP, STOP_DB = 0.4, 0.6, 63.0
"""Edges of the pass band and the stop band, as shares of the lower of both rates, and damping in dB: 3 dB
more than needed, since the window's formula holds to about that."""
BETA = 0.1102 * (STOP_DB - 8.7)
"""Shape of the Kaiser window for that damping."""
BLOCK, PHASES = 16, 128
"""Instants computed by one matrix, and steps between two samples for which there is a matrix."""
UNEVEN = 0.05
"""Samples by which the instants of a block may be off their even steps; beyond, lines are straight."""
SECOND = 1_000_000_000
WORSE = (SHORT_FILL, FLAT, PATTERN_FILL, CLIPPED, LEAD_OFF)
"""Qualities of samples other than good, from the best to the worst: of several, the last counts."""

Codes = NDArray[np.int8]


@dataclass(frozen=True)
class Kernel:
    """Low-pass filter from the rate of samples to the rate of a grid.

    ``reach`` is how many samples it touches on each side of an instant, ``step`` the samples from one
    instant to the next. ``matrix`` (phases + 1, samples, instants) holds the weights of a block's samples.
    """

    reach: int
    step: float
    matrix: Singles


@lru_cache(maxsize=32)
def kernel(rate_hz: float, grid_hz: float) -> Kernel:
    """Return the windowed sinc from ``rate_hz`` to ``grid_hz``, its length and shape by Kaiser's formulas."""
    step = rate_hz / grid_hz
    slower = min(1.0, grid_hz / rate_hz)  # in cycles of the sample rate
    half = (STOP_DB - 7.95) / (2.285 * 2 * np.pi * (STOP - PASS) * slower) / 2
    reach = int(np.ceil(half))
    size = 2 * reach + int(np.ceil(BLOCK * step)) + 1
    phase = np.arange(PHASES + 1) / PHASES
    at = phase[:, None, None] + np.arange(BLOCK) * step + reach  # instants, in samples from the first
    apart = np.arange(size)[:, None] - at
    window = np.i0(BETA * np.sqrt(np.maximum(1 - (apart / half) ** 2, 0))) * (np.abs(apart) <= half)
    taps = np.sinc(slower * apart) * window
    return Kernel(reach, step, (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32))


def interpolate(values: Singles, at: Floats, weights: Kernel) -> Singles:
    """Return ``values`` (n, channels) at ``BLOCK`` instants from each of ``at`` (m,): (m * BLOCK, channels).

    ``at`` is counted in samples. Samples beyond both ends count as zero, so that an instant within
    ``reach`` of an end is wrong.
    """
    phases, size, _ = weights.matrix.shape
    sample = np.floor(at).astype(np.int64)
    fine = (at - sample) * (phases - 1)
    phase = np.minimum(fine.astype(np.int64), phases - 2)
    share = (fine - phase).astype(np.float32)
    padded = np.pad(values, ((size + weights.reach, size), (0, 0)))  # a block may begin before the samples
    channels = values.shape[1]
    order = np.argsort(phase.astype(np.int16), kind="stable")  # which is sorted by its digits
    begin = np.clip(sample + size, 0, len(padded) - size)[order]
    stretches = sliding_window_view(padded, size, axis=0)[begin].reshape(-1, size)
    edges = np.flatnonzero(np.diff(phase[order], prepend=-1, append=-1))
    one, next_one = np.empty((2, len(stretches), BLOCK), np.float32)
    for first, last in itertools.pairwise(edges):
        rows, at_phase = slice(first * channels, last * channels), phase[order[first]]
        np.matmul(stretches[rows], weights.matrix[at_phase], out=one[rows])
        np.matmul(stretches[rows], weights.matrix[at_phase + 1], out=next_one[rows])
    next_one -= one
    next_one *= np.repeat(share[order], channels)[:, None]
    one += next_one
    out = np.empty((channels, len(at), BLOCK), np.float32)
    out[:, order] = one.reshape(-1, channels, BLOCK).transpose(1, 0, 2)
    return out.reshape(channels, -1).T


@dataclass(frozen=True)
class Aligned:
    """Values (g, channels) on a grid, from multiple ``first`` of its period on.

    ``origin`` (g,) and ``quality`` (g, channels) are indices into ``codes.ORIGIN`` and ``codes.QUALITY``.
    """

    first: int
    value: Singles
    origin: Codes
    quality: Codes

    def take(self, rows: slice) -> Aligned:
        """Return some of the instants."""
        return Aligned(self.first + rows.start, self.value[rows], self.origin[rows], self.quality[rows])


def ratio(rate_hz: float) -> Fraction:
    """Return the rate as a ratio of integers, so that grids of any session share their instants."""
    return Fraction(rate_hz).limit_denominator(10_000)


def grid_range(first_ns: int, last_ns: int, rate_hz: float) -> tuple[int, int]:
    """Return the half-open range of the multiples of the grid's period that lie in [first_ns, last_ns]."""
    rate = ratio(rate_hz)
    return -(-first_ns * rate // SECOND) if first_ns else 0, int(last_ns * rate // SECOND) + 1


def grid(k_from: int, k_to: int, rate_hz: float) -> Ints:
    """Return the instants of the multiples [k_from, k_to), ns since 1970, rounded down to whole ns.

    Exact in integers for up to 500 000 instants at once.
    """
    rate = ratio(rate_hz)
    start, rest = divmod(k_from * SECOND * rate.denominator, rate.numerator)
    period, odd = divmod(SECOND * rate.denominator, rate.numerator)
    if not (odd or rest):  # a whole number of nanoseconds: no slow division
        return np.arange(start, start + (k_to - k_from) * period, period, dtype=np.int64)
    steps = np.arange(k_to - k_from, dtype=np.int64) * (SECOND * rate.denominator)
    return np.asarray(start + (rest + steps) // rate.numerator, np.int64)


def on_grid(
    utc_ns: Ints, value: Singles, origin: Codes, quality: Codes, core: slice, rate_hz: float, grid_hz: float
) -> Aligned:
    """Return the stream at the grid's instants from the first sample of ``core`` to the one behind it.

    ``utc_ns`` and ``origin`` are (n,), ``value`` and ``quality`` (n, channels), of one boot in order of
    time; values of missing samples are not used. Where no sample is behind the core, its last one is the
    end. Samples around the core should reach as far as the kernel.
    """
    # An instant belongs to the core that holds the sample before it.
    end = min(core.stop, len(utc_ns) - 1)
    first, last = grid_range(int(utc_ns[core.start]), int(utc_ns[end]), grid_hz)
    if core.stop < len(utc_ns) and grid(last - 1, last, grid_hz)[0] >= utc_ns[end]:
        last -= 1
    if first < last and grid(first, first + 1, grid_hz)[0] < utc_ns[core.start]:
        first += 1  # rounded down to whole nanoseconds, it lies before
    last = max(first, last)
    at_ns = grid(first, last, grid_hz)
    weights = kernel(rate_hz, grid_hz)
    known = origin != MISSING
    filled = np.where(known[:, None], value, np.float32(0))
    out, odd = _smooth(first, last, grid_hz, utc_ns, filled, weights)
    near = _touched(~known, at_ns, utc_ns, weights.reach, ends=True) | odd
    lost = _touched(~known, at_ns, utc_ns, 1, ends=True)
    _straight(out, np.flatnonzero(near & ~lost), at_ns, utc_ns, filled)
    out[lost] = np.nan
    weakest = np.full(len(at_ns), MEASURED, np.int8)
    for code in (RECOVERED, INTERPOLATED):
        weakest[_touched(origin == code, at_ns, utc_ns, weights.reach)] = code
    weakest[lost] = MISSING
    return Aligned(first, out, weakest, _worst(quality, at_ns, utc_ns, weights, near, lost))


def _last_before(utc_ns: Ints, at_ns: Ints) -> Ints:
    """Return the index (g,) of the last sample no later than each instant, -1 for none; both in order."""
    if len(at_ns) <= len(utc_ns):
        return np.searchsorted(utc_ns, at_ns, side="right") - 1
    # Search for the fewer ones: how many instants follow each sample.
    first = np.searchsorted(at_ns, utc_ns, side="left")
    return np.repeat(np.arange(-1, len(utc_ns)), np.diff(first, prepend=0, append=len(at_ns)))


def _before(utc_ns: Ints, at_ns: Ints) -> Ints:
    """Return the index (g,) of the sample before each instant, moved to one that has another after it."""
    return np.clip(_last_before(utc_ns, at_ns), 0, max(len(utc_ns) - 2, 0))


def _smooth(
    first: int, last: int, grid_hz: float, utc_ns: Ints, value: Singles, weights: Kernel
) -> tuple[Singles, Bools]:
    """Return kernel values (g, channels) at the instants [first, last), and where samples are uneven (g,)."""
    if first == last or len(utc_ns) < 2:
        return np.zeros((last - first, value.shape[1]), np.float32), np.ones(last - first, np.bool_)
    # Blocks begin at the same instants wherever the recording is cut, and may reach beyond these.
    lead = first % BLOCK
    at_ns = grid(first - lead, last + -last % BLOCK, grid_hz)
    wanted = slice(lead, lead + last - first)
    opens, closes = at_ns[::BLOCK], at_ns[BLOCK - 1 :: BLOCK]
    start, end = (_in_samples(instant, _before(utc_ns, instant), utc_ns) for instant in (opens, closes))
    odd = np.abs(end - start - (BLOCK - 1) * weights.step) > UNEVEN
    return interpolate(value, start, weights)[wanted], np.repeat(odd, BLOCK)[wanted]


def _in_samples(at_ns: Ints, before: Ints, utc_ns: Ints) -> Floats:
    """Return instants counted in samples, by the samples ``before`` them and their neighbours."""
    share = (at_ns - utc_ns[before]) / np.maximum(utc_ns[before + 1] - utc_ns[before], 1)
    return np.asarray(before + share, np.float64)


def _touched(mask: Bools, at_ns: Ints, utc_ns: Ints, reach: int, ends: bool = False) -> Bools:
    """Return which instants (g,) have a sample of ``mask`` (n,) within ``reach`` samples.

    With ``ends``, the time before the first sample and behind the last counts as such a sample.
    """
    starts, stops = runs(mask)
    n = len(mask)
    if ends:
        starts, stops = np.concatenate([[-1], starts, [n]]), np.concatenate([[0], stops, [n + 1]])
    if not len(starts):
        return np.zeros(len(at_ns), np.bool_)
    # Strictly between the samples that are `reach` away from the run's ends.
    low, high = starts - reach, stops - 1 + reach
    first = np.where(low < 0, 0, np.searchsorted(at_ns, utc_ns[np.clip(low, 0, n - 1)], side="right"))
    last = np.where(
        high >= n, len(at_ns), np.searchsorted(at_ns, utc_ns[np.clip(high, 0, n - 1)], side="left")
    )
    return spread(first, np.maximum(last, first), len(at_ns))


def _straight(out: Singles, which: Ints, at_ns: Ints, utc_ns: Ints, value: Singles) -> None:
    """Write values on straight lines between neighbouring samples into ``out`` at the indices ``which``."""
    if not len(which):
        return
    if len(utc_ns) < 2:
        out[which] = value[0]
        return
    left = _before(utc_ns, at_ns[which])
    share = (_in_samples(at_ns[which], left, utc_ns) - left).astype(np.float32)[:, None]
    out[which] = np.where(
        share == 0,
        value[left],
        np.where(share == 1, value[left + 1], value[left] * (1 - share) + value[left + 1] * share),
    )


def _worst(
    quality: Codes,
    at_ns: Ints,
    utc_ns: Ints,
    weights: Kernel,
    near: Bools,
    lost: Bools,
) -> Codes:
    """Return the worst quality (g, channels) of the samples that each instant rests on."""
    out = np.full((len(at_ns), quality.shape[1]), GOOD, np.int8)
    out[near] = NEAR_GAP
    for channel in range(quality.shape[1]):
        of_channel = np.ascontiguousarray(quality[:, channel])
        for code in WORSE:
            mask = of_channel == code
            if mask.any():
                out[_touched(mask, at_ns, utc_ns, weights.reach), channel] = code
    out[lost] = NOT_MEASURED
    return out
