"""Every way in which `repair.py` fills the gaps of an ECG; see there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.interpolate import CubicSpline, PchipInterpolator
from scipy.linalg import solve_toeplitz
from scipy.signal import butter, sosfiltfilt

from nodeday.core.arrays import runs
from nodeday.stages.repair.fill import Policy, mend
from nodeday.stages.repair.pattern import seamed, stack_candidates

RATE = 250.0
POLICY = Policy("pattern", 0.25 * RATE, 0.2 * RATE, RATE)


def band(value: np.ndarray, low: float, high: float) -> np.ndarray:
    return np.asarray(sosfiltfilt(butter(3, (low, high), "bandpass", fs=RATE, output="sos"), value))


def autoregressive(value: np.ndarray, lost: np.ndarray) -> np.ndarray:
    """Janssen, Veldhuis and Vries 1986: the model from all samples, then the samples that fit it best."""
    out = straight(value, lost)
    for start, end in zip(*runs(lost), strict=True):
        low, high = max(start - 150, 0), min(end + 150, len(value))
        part, order = out[low:high].copy(), min(3 * (end - start) + 2, 30)
        middle = part.mean()
        part -= middle
        inside = np.arange(start - low, end - low)
        for _ in range(3):
            lags = np.array([part[: len(part) - k] @ part[k:] for k in range(order + 1)])
            lags[0] += 1e-9 + 1e-9 * lags[0]
            model = np.concatenate([[1.0], -solve_toeplitz(lags[:-1], lags[1:])])
            own = np.convolve(model, model[::-1])[order:]
            size = len(inside)
            row = np.zeros(max(size, order + 1))
            row[: order + 1] = own
            rest = part.copy()
            rest[inside] = 0
            pull = np.convolve(rest, np.concatenate([own[:0:-1], own]))[order : order + len(rest)][inside]
            part[inside] = solve_toeplitz(row[:size], -pull)
        out[start:end] = part[inside] + middle
    return out


def straight(value: np.ndarray, lost: np.ndarray) -> np.ndarray:
    at = np.arange(len(value))
    return np.where(lost, np.interp(at, at[~lost], value[~lost]), value)


def by(method: type) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    def filled(value: np.ndarray, lost: np.ndarray) -> np.ndarray:
        at, out = np.arange(len(value)), value.copy()
        out[lost] = method(at[~lost], value[~lost])(at[lost])
        return out

    return filled


def pattern(value: np.ndarray, lost: np.ndarray) -> np.ndarray:
    """The stage's policy; NaN where it refuses."""
    broken = np.where(lost, np.nan, value)
    seconds = np.arange(len(value)) / RATE
    out = mend(seconds, broken[:, None], ~lost, ~lost, np.zeros(len(value), np.bool_), POLICY)
    assert (np.isnan(out.values[:, 0]) == (lost & ~out.filled)).all()
    return out.values[:, 0]


def oracle(value: np.ndarray, lost: np.ndarray) -> np.ndarray:
    """The one best of the stage's stretches, each where its context fits best, by the lost signal itself."""
    out, (starts, ends) = value.copy(), runs(lost)
    for which, stack in stack_candidates(np.where(lost, 0.0, value), ~lost, starts, ends, RATE):
        at = stack.start[..., None] - 1 + np.arange(stack.length + 2)
        pieces = stack.amplitude[..., None] * np.take_along_axis(stack.stretch, at, axis=2)
        for gap, rows, left in zip(which.tolist(), pieces, stack.residual, strict=True):
            start, end = starts[gap], ends[gap]
            fills = np.array([seamed(row, value[start - 1], value[end]) for row in rows])
            error = ((fills - value[start:end]) ** 2).sum(axis=1)
            out[start:end] = fills[np.where(np.isfinite(left), error, np.inf).argmin()]
            if not np.isfinite(left).any():
                out[start:end] = np.nan
    return out


def near(value: np.ndarray, lost: np.ndarray) -> np.ndarray:
    noise = band(np.random.default_rng(1).normal(0, 1, len(value)), 1, 30)
    return np.where(lost, value + 0.02 * noise / noise.std(), value)


METHODS = {
    "linear": straight,
    "pchip": by(PchipInterpolator),
    "cubic": by(CubicSpline),
    "ar": autoregressive,
    "pattern": pattern,
    "oracle": oracle,
    "near": near,
    "true": lambda value, lost: value,
}
