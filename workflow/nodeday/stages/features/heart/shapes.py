"""The shape of each beat: how like those around it is, and at what frequencies its energy lies.

The beats of one heart repeat a few shapes; movements hardly repeat themselves. Each beat is held against the
average of its neighbours, in which those that are like it weigh more, so that beats of several shapes do not
spoil each other's average::

    weight = max(correlation, 0)^2      likeness = correlation with the weighted average of 16 neighbours

That average is next to free of noise and shows where the energy lies. Its mean frequency is 5 to 18 Hz for a
QRS, whether narrow or wide; thumps and swinging cables lie below, pacing spikes and muscle above.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.features.heart.coarse import CoarseSignal

BAND_HZ = (1.0, 50.0)
SHAPE_S = 0.3
"""The shape of a beat is the signal within 300 ms of its peak."""
NEIGHBOURS = 8
"""Beats before, and as many after, that a beat is held against. A choice of this project."""
POINTS = 128
"""Of the spectrum: steps of about 1 Hz."""


@dataclass(frozen=True)
class BeatShapes:
    """Of each beat (b,): its ``likeness``, and the mean frequency ``centre_hz`` of its shape.

    Both are 0 for a beat that no neighbour is like.
    """

    likeness: Floats
    centre_hz: Floats


def beat_shapes(signal: CoarseSignal, peaks: Ints) -> BeatShapes:
    """Return the shapes of the beats at the sample numbers ``peaks`` (b,), in order."""
    shape = _shapes(signal, peaks)
    average = _of_neighbours(shape)
    norm = np.linalg.norm(average, axis=1)
    alike = np.einsum("ij,ij->i", shape, average) / np.maximum(norm, 1e-12)
    # The bell leaves the QRS, and takes off most of the P and T waves.
    power = np.abs(np.fft.rfft(average * np.hanning(shape.shape[1]), POINTS, axis=1)) ** 2
    centre = power @ np.fft.rfftfreq(POINTS, 1 / signal.rate_hz) / np.maximum(power.sum(axis=1), 1e-12)
    return BeatShapes(alike, centre)


def _shapes(signal: CoarseSignal, peaks: Ints) -> Floats:
    """Return the signal (b, s) around each of ``peaks`` (b,), of mean 0 and norm 1."""
    band = signal.band(*BAND_HZ)
    reach = round(SHAPE_S * signal.rate_hz)
    near = signal.index[np.clip(np.searchsorted(signal.sample, peaks, side="right") - 1, 0, None)]
    shape = band[np.clip(near[:, None] + np.arange(-reach, reach + 1), 0, len(band) - 1)]
    shape -= shape.mean(axis=1, keepdims=True)
    shape /= np.maximum(np.linalg.norm(shape, axis=1, keepdims=True), 1e-12)
    return np.asarray(shape, np.float64)


def _of_neighbours(shape: Floats) -> Floats:
    """Return the average (b, s) of the neighbours of each ``shape`` (b, s), weighted by their likeness."""
    average = np.zeros_like(shape)
    for apart in range(1, min(NEIGHBOURS, len(shape) - 1) + 1):
        before, after = shape[:-apart], shape[apart:]
        weight = np.maximum(np.einsum("ij,ij->i", before, after), 0.0)[:, None] ** 2
        average[apart:] += weight * before
        average[:-apart] += weight * after
    return average
