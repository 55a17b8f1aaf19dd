"""Steps a minute from the masked autocorrelation of the vector magnitude, window by window."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.motion.intensity import words_of

WINDOW_S, LEAST_S = 6.0, 4.0
"""Windows that steps are told from, and the shortest that tells. A choice of this project."""
LIMBS = frozenset({"ankle", "shank", "foot", "thigh", "leg", "wrist", "forearm", "arm", "hand"})
"""Placements that swing once a stride; a trunk moves once a step. Common practice, no source."""
STEP_S, STRIDE_S, SLOWEST_S = (0.3, 1.2), (0.7, 2.0), 60 / 70
"""Periods that are sought: a trunk's at 70 to 200 steps/min, what is slower than that being its stride;
a limb's stride at 60 to 170 steps/min. A choice of this project."""
FIRST_OF_MAX = {False: 0.7, True: 0.85}
"""The first peak that reaches so much of the highest is the period, for trunk and limb. A choice of
this project; without it the stride of a trunk, two steps, would pass for a step."""
HALF_OF_PEAK = 0.3
"""A trunk's peak whose half lag is a peak as well, and reaches so much of it, is a stride."""
LEAST_REGULAR, LEAST_SPREAD_G = 0.4, 0.0267
"""Walking repeats itself, and moves: correlation at the period and standard deviation of the vector
magnitude. The spread is a published threshold for the waist, from memory; the other is a choice of
this project."""
SMOOTH_S = 0.06
"""Width (standard deviation) of the bell; it halves what is faster than 3 Hz. A choice of this project."""
BLOCK = 1024


def is_limb(placement: str) -> bool:
    return bool(words_of(placement) & LIMBS)


def laid_out(
    norm_g: Floats, usable: Bools, utc_ns: Ints, places: Ints, rate_hz: float
) -> tuple[Floats, Bools]:
    """Samples of a few windows as rows of a matrix (k, m), and where each cell holds one.

    A sample's cell is its time since the window's first, so that a hole keeps its length.
    """
    first, last = places[0], places[-1]
    lengths = np.diff(places)
    since = utc_ns[first:last] - np.repeat(utc_ns[np.minimum(places[:-1], len(utc_ns) - 1)], lengths)
    cell = np.rint(since * (rate_hz / 1e9)).astype(np.int32)
    width = int(cell.max(initial=0)) + 1
    got = usable[first:last]
    own = (cell + np.repeat(np.arange(len(lengths), dtype=np.int32) * width, lengths))[got]
    value, mask = np.zeros(len(lengths) * width), np.zeros(len(lengths) * width, np.bool_)
    value[own], mask[own] = norm_g[first:last][got], True
    return value.reshape(-1, width), mask.reshape(-1, width)


def autocorrelation(value: Floats, mask: Bools, lags: int) -> tuple[Floats, Floats]:
    """Unbiased autocorrelation (k, lags + 1) of each row's masked values (k, m), and variances (k,).

    r(j) = mean(d[i] d[i + j]) / mean(d[i]^2) over the pairs of which both are there, d the
    difference from the row's mean; lost samples take no part. NaN where no pair is there.
    """
    held = mask.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(held, np.sum(value, axis=1, where=mask) / held, 0.0)
    centred = np.where(mask, value - mean[:, None], 0.0).astype(np.float32)
    size = fft.next_fast_len(value.shape[1] + lags, real=True)
    if mask.all():
        pairs = np.broadcast_to(value.shape[1] - np.arange(lags + 1.0), (len(value), lags + 1))
    else:
        pairs = np.rint(_products(mask.astype(np.float32), size, lags))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_product = np.where(pairs > 0, _products(centred, size, lags) / pairs, np.nan)
        variance = mean_product[:, 0]
        return np.where(variance[:, None] > 1e-12, mean_product / variance[:, None], 0.0), variance


def smoothed(r: Floats, rate_hz: float) -> Floats:
    """Autocorrelation (k, lags + 1) without the knocks of heel and sole, which are faster than steps.

    A bell over the lags is a low-pass of the signal that never runs across a hole in it.
    """
    soft = ndimage.gaussian_filter1d(np.nan_to_num(r), SMOOTH_S * rate_hz, axis=1, mode="mirror")
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(soft[:, :1] > 0, soft / soft[:, :1], 0.0)


def _products(rows: NDArray[np.float32], size: int, lags: int) -> Floats:
    spectrum = fft.rfft(rows, size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    return np.asarray(fft.irfft(power, size, axis=1)[:, : lags + 1], np.float64)


def period_s(r: Floats, rate_hz: float, limb: bool) -> tuple[Floats, Floats]:
    """Period of a step (k,) in s, and the correlation (k,) at the period it was told from.

    NaN and 0 without a peak in range. A limb's period is the stride, and its step half of it; so is a
    trunk's that leans more to one foot, known by a peak at half the lag, or by being too long.
    """
    low, high = STRIDE_S if limb else STEP_S
    lag = np.arange(r.shape[1]) / rate_hz
    is_peak = _peaks(r)
    sought = np.where(is_peak & (lag >= low) & (lag <= high), r, -np.inf)
    top = sought.max(axis=1)
    found = np.isfinite(top) & (top > 0)
    at = np.argmax(sought >= FIRST_OF_MAX[limb] * top[:, None], axis=1)
    is_stride = np.full(len(r), limb)
    if not limb:
        at = _halved(r, sought, at)
        is_stride = at > SLOWEST_S * rate_hz
    rows = np.arange(len(r))
    before, middle, after = (r[rows, np.clip(at + step, 0, r.shape[1] - 1)] for step in (-1, 0, 1))
    bend = before - 2 * middle + after
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = np.where(bend < 0, 0.5 * (before - after) / bend, 0.0)
    period = (at + np.clip(shift, -0.5, 0.5)) / rate_hz
    return np.where(found, np.where(is_stride, period / 2, period), np.nan), np.where(found, middle, 0.0)


def _peaks(r: Floats) -> Bools:
    out = np.zeros(r.shape, np.bool_)
    out[:, 1:-1] = (r[:, 1:-1] >= r[:, :-2]) & (r[:, 1:-1] > r[:, 2:])
    return out


def _halved(r: Floats, sought: Floats, at: Ints) -> Ints:
    """Half the lag where a peak within a tenth of it says that ``at`` (k,) is a stride."""
    rows, half = np.arange(len(r)), at / 2
    reach = max(1, round(0.05 * r.shape[1] / 2))
    cells = np.clip(np.rint(half).astype(np.int64)[:, None] + np.arange(-reach, reach + 1), 0, r.shape[1] - 1)
    near = np.abs(cells - half[:, None]) <= 0.1 * half[:, None] + 1
    around = np.where(near, sought[rows[:, None], cells], -np.inf)
    best = around.argmax(axis=1)
    strong = around[rows, best] >= HALF_OF_PEAK * r[rows, at]
    return np.where(strong & (r[rows, at] > 0), cells[rows, best], at)


def steps(norm_g: Floats, usable: Bools, utc_ns: Ints, places: Ints, rate_hz: float, limb: bool) -> Floats:
    """Cadence (k,) of each window in steps/min; 0 where it holds no walking.

    A window is walking where the vector magnitude repeats itself and moves enough; any other
    movement that does so counts too, such as an arm that works in a steady beat.
    """
    cadence = np.zeros(len(places) - 1)
    lags = int(np.ceil((STRIDE_S if limb else STEP_S)[1] * rate_hz)) + 2
    for start in range(0, len(cadence), BLOCK):
        own = places[start : start + BLOCK + 1]
        if own[-1] == own[0]:
            continue
        value, mask = laid_out(norm_g, usable, utc_ns, own, rate_hz)
        if value.shape[1] <= lags:
            continue
        r, variance = autocorrelation(value, mask, lags)
        period, regular = period_s(smoothed(r, rate_hz), rate_hz, limb)
        with np.errstate(invalid="ignore"):
            walks = (regular >= LEAST_REGULAR) & (variance >= LEAST_SPREAD_G**2) & np.isfinite(period)
        cadence[start : start + BLOCK] = np.where(walks, 60.0 / np.where(walks, period, 1.0), 0.0)
    return cadence
