"""Steps a minute from the masked autocorrelation of the vector magnitude, window by window."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.motion.intensity import words_of

WINDOW_S, LEAST_S = 6.0, 4.0
"""Length of the windows that steps are found in, and the shortest one. A choice of this project."""
LIMBS = frozenset({"ankle", "shank", "foot", "thigh", "leg", "wrist", "forearm", "arm", "hand"})
"""Placements that swing once a stride; a trunk moves once a step. Common practice, no source."""
STEP_S, STRIDE_S, SLOWEST_S = (0.3, 1.2), (0.7, 2.0), 60 / 70
"""Periods that are sought: a trunk's at 70 to 200 steps/min, a slower one being its stride; a limb's stride
at 60 to 170 steps/min. A choice of this project."""
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
"""Windows computed at once."""


def on_limb(placement: str) -> bool:
    """Return whether a node of this placement is worn on a limb, which swings once a stride."""
    return bool(words_of(placement) & LIMBS)


def window_matrix(
    norm_g: Floats, usable: Bools, utc_ns: Ints, edges: Ints, rate_hz: float
) -> tuple[Floats, Bools]:
    """Return the usable samples of a few windows as a matrix (k, m), and which cells hold one (k, m).

    Window i holds the samples [edges[i], edges[i + 1]) of ``norm_g``, ``usable`` and ``utc_ns``, (n,) each.
    The column of a sample is its time since the window's first, so that a hole keeps its length.
    """
    first, last = edges[0], edges[-1]
    lengths = np.diff(edges)
    since = utc_ns[first:last] - np.repeat(utc_ns[np.minimum(edges[:-1], len(utc_ns) - 1)], lengths)
    column = np.rint(since * (rate_hz / 1e9)).astype(np.int32)
    width = int(column.max(initial=0)) + 1
    used = usable[first:last]
    cell = (column + np.repeat(np.arange(len(lengths), dtype=np.int32) * width, lengths))[used]
    value, mask = np.zeros(len(lengths) * width), np.zeros(len(lengths) * width, np.bool_)
    value[cell], mask[cell] = norm_g[first:last][used], True
    return value.reshape(-1, width), mask.reshape(-1, width)


def autocorrelation(value: Floats, mask: Bools, lags: int) -> tuple[Floats, Floats]:
    """Return the unbiased autocorrelation (k, lags + 1) of each row's masked values, and variances (k,).

    r(j) = mean(d[i] d[i + j]) / mean(d[i]^2) over the pairs of ``value`` (k, m) of which both are in ``mask``
    (k, m), d the difference from the row's mean; lost samples take no part. NaN where there is no pair.
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
    """Return the autocorrelation ``r`` (k, lags + 1) without the knocks of heel and sole, faster than steps.

    A bell over the lags is a low-pass of the signal that never runs across a hole in it.
    """
    soft = ndimage.gaussian_filter1d(np.nan_to_num(r), SMOOTH_S * rate_hz, axis=1, mode="mirror")
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(soft[:, :1] > 0, soft / soft[:, :1], 0.0)


def _products(rows: NDArray[np.float32], size: int, lags: int) -> Floats:
    """Return the sums (k, lags + 1) of products of each row (k, m) with itself, from ``size`` frequencies."""
    spectrum = fft.rfft(rows, size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    return np.asarray(fft.irfft(power, size, axis=1)[:, : lags + 1], np.float64)


def period_s(r: Floats, rate_hz: float, limb: bool) -> tuple[Floats, Floats]:
    """Return the period of a step (k,) in s, and the correlation (k,) at the peak that gives it.

    From the autocorrelation ``r`` (k, lags + 1). NaN and 0 without a peak in range. A limb's period is the
    stride, and its step half of it; so is a trunk's that leans more to one foot, known by a peak at half the
    lag, or by being too long.
    """
    low, high = STRIDE_S if limb else STEP_S
    lag = np.arange(r.shape[1]) / rate_hz
    is_peak = _peaks(r)
    sought = np.where(is_peak & (lag >= low) & (lag <= high), r, -np.inf)
    top = sought.max(axis=1)
    has_peak = np.isfinite(top) & (top > 0)
    at = np.argmax(sought >= FIRST_OF_MAX[limb] * top[:, None], axis=1)
    is_stride = np.full(len(r), limb)
    if not limb:
        at = _halved(r, sought, at)
        is_stride = at > SLOWEST_S * rate_hz
    rows = np.arange(len(r))
    before, middle, after = (r[rows, np.clip(at + off, 0, r.shape[1] - 1)] for off in (-1, 0, 1))
    bend = before - 2 * middle + after
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = np.where(bend < 0, 0.5 * (before - after) / bend, 0.0)
    period = (at + np.clip(shift, -0.5, 0.5)) / rate_hz
    step = np.where(is_stride, period / 2, period)
    return np.where(has_peak, step, np.nan), np.where(has_peak, middle, 0.0)


def _peaks(r: Floats) -> Bools:
    """Return which lags of ``r`` (k, l) are local maxima, (k, l)."""
    peaks = np.zeros(r.shape, np.bool_)
    peaks[:, 1:-1] = (r[:, 1:-1] >= r[:, :-2]) & (r[:, 1:-1] > r[:, 2:])
    return peaks


def _halved(r: Floats, sought: Floats, at: Ints) -> Ints:
    """Return the lag (k,) of a step: half of ``at`` (k,) where a peak within a tenth of it makes it a stride.

    ``sought`` (k, l) are the peaks of ``r`` (k, l) in range, -inf elsewhere.
    """
    rows, half = np.arange(len(r)), at / 2
    reach = max(1, round(0.05 * r.shape[1] / 2))
    cells = np.clip(np.rint(half).astype(np.int64)[:, None] + np.arange(-reach, reach + 1), 0, r.shape[1] - 1)
    near = np.abs(cells - half[:, None]) <= 0.1 * half[:, None] + 1
    around = np.where(near, sought[rows[:, None], cells], -np.inf)
    best = around.argmax(axis=1)
    strong = around[rows, best] >= HALF_OF_PEAK * r[rows, at]
    return np.where(strong & (r[rows, at] > 0), cells[rows, best], at)


def steps_per_minute(
    norm_g: Floats, usable: Bools, utc_ns: Ints, edges: Ints, rate_hz: float, limb: bool
) -> Floats:
    """Return the cadence (k,) of each window in steps/min; 0 where it holds no walking.

    Window i holds the samples [edges[i], edges[i + 1]) of ``norm_g``, ``usable`` and ``utc_ns``, (n,) each. A
    window is walking where the vector magnitude repeats itself and moves enough; any other movement that
    does so counts too, such as an arm that works in a steady beat.
    """
    cadence = np.zeros(len(edges) - 1)
    lags = int(np.ceil((STRIDE_S if limb else STEP_S)[1] * rate_hz)) + 2
    for start in range(0, len(cadence), BLOCK):
        part = edges[start : start + BLOCK + 1]
        if part[-1] == part[0]:
            continue
        value, mask = window_matrix(norm_g, usable, utc_ns, part, rate_hz)
        if value.shape[1] <= lags:
            continue
        r, variance = autocorrelation(value, mask, lags)
        period, regular = period_s(smoothed(r, rate_hz), rate_hz, limb)
        with np.errstate(invalid="ignore"):
            walks = (regular >= LEAST_REGULAR) & (variance >= LEAST_SPREAD_G**2) & np.isfinite(period)
        cadence[start : start + BLOCK] = np.where(walks, 60.0 / np.where(walks, period, 1.0), 0.0)
    return cadence
