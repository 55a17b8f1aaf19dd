"""Band-limited interpolation: samples at one rate to instants of another, by a windowed sinc.

Kaiser's window (Oppenheim and Schafer, Discrete-Time Signal Processing, from memory). Of the slower of the
two rates, r:

    pass-band  0 to 0.4 r    within 0.1 % of the amplitude
    stop-band  from 0.6 r    at most 0.1 % of it (60 dB) comes through, at any frequency it folds to
    reach      9.6 / r on each side: 38 ms at 250 Hz, 96 ms at 100 Hz, 192 ms at 50 Hz

Sixteen instants at a time are a product of a stretch of samples with a matrix. The matrix depends on how
far the first instant lies from the sample before it alone; there is one for each 1/128 of a sample, and
between two of these the values lie on a straight line.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from nodeday.arrays import Floats, Singles

PASS, STOP, STOP_DB = 0.4, 0.6, 63.0
# 3 dB to spare, since the window's formula holds to about that.
BLOCK, PHASES = 16, 128
BETA = 0.1102 * (STOP_DB - 8.7)


@dataclass(frozen=True)
class Kernel:
    """From ``rate_hz`` to ``grid_hz``: ``reach`` in samples on each side, ``step`` in samples from one
    instant to the next, ``matrix`` (phases + 1, samples, instants)."""

    reach: int
    step: float
    matrix: Singles


@lru_cache(maxsize=32)
def kernel(rate_hz: float, grid_hz: float) -> Kernel:
    """The matrices for one pair of rates."""
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


def interpolate(values: Singles, at: Floats, shape: Kernel) -> Singles:
    """Values (m * BLOCK, channels) of ``values`` (n, channels) at BLOCK instants from each of ``at`` (m,).

    ``at`` is counted in samples. Samples beyond both ends count as zero: see what lies within ``reach``.
    """
    phases, size, _ = shape.matrix.shape
    whole = np.floor(at).astype(np.int64)
    fine = (at - whole) * (phases - 1)
    phase = np.minimum(fine.astype(np.int64), phases - 2)
    share = (fine - phase).astype(np.float32)
    padded = np.pad(values, ((size + shape.reach, size), (0, 0)))  # a block may begin before the samples
    channels = values.shape[1]
    order = np.argsort(phase.astype(np.int16), kind="stable")  # which is sorted by its digits
    begin = np.clip(whole + size, 0, len(padded) - size)[order]
    stretches = sliding_window_view(padded, size, axis=0)[begin].reshape(-1, size)
    edges = np.flatnonzero(np.diff(phase[order], prepend=-1, append=-1))
    one, next_one = np.empty((2, len(stretches), BLOCK), np.float32)
    for first, last in itertools.pairwise(edges):
        rows, at_phase = slice(first * channels, last * channels), phase[order[first]]
        for each, into in ((at_phase, one), (at_phase + 1, next_one)):
            np.matmul(stretches[rows], shape.matrix[each], out=into[rows])
    next_one -= one
    next_one *= np.repeat(share[order], channels)[:, None]
    one += next_one
    out = np.empty((channels, len(at), BLOCK), np.float32)
    out[:, order] = one.reshape(-1, channels, BLOCK).transpose(1, 0, 2)
    return out.reshape(channels, -1).T
