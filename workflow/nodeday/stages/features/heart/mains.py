r"""Mains taken out of an ECG before beats are sought: sines fitted to frames of four seconds.

Frames overlap by half, and their sines fade into each other, so that amplitude and phase may drift::

    weights   /^^^\/^^^\/^^^\     raised cosines, of which the two at any instant add up to one
               \/^^^\/^^^\/

Each frame has a frequency of its own near 50 or 60 Hz. A frame of four seconds passes half a hertz, in which
a QRS has next to nothing, so that nothing rings. Where no line stands out, nothing is taken out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import fft

from nodeday.core.arrays import Bools, Floats, Ints, Singles

MAINS_HZ = (50.0, 60.0)
FRAME_S = 4.0
OFF_HZ, LOBE_HZ, AROUND_HZ = 0.75, 1.5, 5.0
"""The line is sought within the first of the nominal frequency: grids and crystals are less off. It must
stand out of what lies between the second and the third. Choices of this project, as is a frame's length."""
STANDS_OUT = 3.0
"""Times the largest around. The lines of a steady heart are alike there, and none stands out."""
LEAST_MV = 0.005
"""An amplitude below this moves no peak by a tenth of a millisecond. A choice of this project."""
LEAST_SEEN = 0.3
"""Share of a frame's weight on samples that are present; below it the sine of a neighbour goes on. A choice
of this project."""
AT_ONCE = 512
"""Frames worked on at a time, which bounds the memory."""
FINE = 32


@dataclass(frozen=True)
class MainsFrames:
    """Frames (f, s): the signal less its mean ``times`` the weight of what is ``seen``, and that weight."""

    times: NDArray[np.float32]
    seen: NDArray[np.float32]
    total: Floats
    """Sum (f,) of the weight."""


def without_mains(value: Singles | Floats, present: Bools, rate_hz: float) -> Singles | Floats:
    """Return an ECG (n,) in mV without its mains; the array itself where it holds none.

    ``value`` (n,), at ``rate_hz``, counts where it is ``present`` (n,). Nothing is done where the rate is too
    low to hold the mains, nor for less than a frame.
    """
    if len(value) < FRAME_S * rate_hz:
        return value
    for line in MAINS_HZ:
        if line + LOBE_HZ < rate_hz / 2:
            value = _without_line(value, present, line, rate_hz)
    return value


def _without_line(
    value: Singles | Floats, present: Bools, line_hz: float, rate_hz: float
) -> Singles | Floats:
    """Return ``value`` (n,) without the mains of ``line_hz``, or itself."""
    half = round(FRAME_S / 2 * rate_hz)
    weight = (np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half)) ** 2).astype(np.float32)
    clean = value
    for first in range(-half, len(value), AT_ONCE * half):
        starts = np.arange(first, min(first + AT_ONCE * half, len(value)), half)
        which, sines = _sines(_frames(value, present, starts, weight), weight, line_hz, rate_hz)
        if len(which) and clean is value:
            clean = value.copy()
        for start, sine in zip(starts[which].tolist(), sines, strict=True):
            low, high = max(start, 0), min(start + 2 * half, len(value))
            clean[low:high] -= sine[low - start : high - start]
    return clean


def _frames(
    value: Singles | Floats, present: Bools, starts: Ints, weight: NDArray[np.float32]
) -> MainsFrames:
    """Return the frames at ``starts`` (f,), half a frame apart, under the ``weight`` (s,) of a full one."""
    size = len(weight)
    first, last = int(starts[0]), int(starts[-1]) + size
    inside = slice(max(first, 0), min(last, len(value)))
    part, there = np.zeros(last - first, np.float32), np.zeros(last - first, np.float32)
    there[inside.start - first : inside.stop - first] = present[inside]
    part[inside.start - first : inside.stop - first] = np.where(present[inside], value[inside], 0)
    signal, seen = (sliding_window_view(row, size)[:: size // 2] * weight for row in (part, there))
    total = seen.sum(axis=1, dtype=np.float64)
    mean = signal.sum(axis=1, dtype=np.float64) / np.maximum(total, 1e-9)
    return MainsFrames(signal - mean[:, None].astype(np.float32) * seen, seen, total)


def _sines(
    frames: MainsFrames, weight: NDArray[np.float32], line_hz: float, rate_hz: float
) -> tuple[Ints, NDArray[np.float32]]:
    """Return which frames (k,) hold the mains of ``line_hz``, and these (k, s) times ``weight`` (s,)."""
    size, count = len(weight), len(frames.total)
    spectrum = np.abs(fft.rfft(frames.times, axis=1))
    hertz = np.arange(spectrum.shape[1]) * rate_hz / size
    off = np.abs(hertz - line_hz)
    near, around = np.flatnonzero(off <= OFF_HZ), (off >= LOBE_HZ) & (off <= AROUND_HZ)
    top = near[spectrum[:, near].argmax(axis=1)]
    height = spectrum[np.arange(count), top]
    seen = frames.total >= LEAST_SEEN * weight.sum()
    holds = seen & (height >= STANDS_OUT * spectrum[:, around].max(axis=1))
    which = np.flatnonzero(holds & (height >= LEAST_MV / 2 * frames.total))
    frequency, factor = hertz[top], np.zeros(count, np.complex128)
    frequency[which], factor[which] = _fitted(frames, which, frequency[which], rate_hz)
    for blind in np.flatnonzero(~seen):
        for step in (-1, 1):
            from_ = blind + step
            if 0 <= from_ < count and seen[from_] and factor[from_] != 0:
                frequency[blind] = frequency[from_]
                factor[blind] = factor[from_] * np.exp(-1j * np.pi * step * size / rate_hz * frequency[from_])
    which = np.asarray(np.flatnonzero(factor), np.int64)
    turn = _turns(frequency[which], size, rate_hz)
    sines = (factor[which, None].astype(np.complex64) * turn).real * weight
    return which, np.asarray(sines, np.float32)


def _fitted(
    frames: MainsFrames, which: Ints, near_hz: Floats, rate_hz: float
) -> tuple[Floats, NDArray[np.complex128]]:
    """Return frequency (k,) and complex amplitude (k,) at the start of the frames ``which`` (k,).

    The phase of the second half against the first gives the frequency, from ``near_hz`` (k,) on.
    """
    times, seen = frames.times[which], frames.seen[which]
    size = times.shape[1]
    at, halves = np.arange(size) / rate_hz, (slice(0, size // 2), slice(size // 2, size))
    known, row = np.unique(near_hz, return_inverse=True)
    back = _turns(-known, size, rate_hz)
    waves = [np.ascontiguousarray(part.T) for part in (back.real, back.imag)]  # real products are quicker
    first, second = (
        (times[:, half] @ waves[0][half] + 1j * (times[:, half] @ waves[1][half]))[np.arange(len(row)), row]
        for half in halves
    )
    weights = [seen[:, half].sum(axis=1) for half in halves]
    middle = [
        seen[:, half] @ at[half] / np.maximum(weight, 1e-9)
        for half, weight in zip(halves, weights, strict=True)
    ]
    both = (weights[0] > 0) & (weights[1] > 0)
    apart = np.where(both, middle[1] - middle[0], 1.0)
    frequency = near_hz + np.where(both, np.angle(second * first.conj()) / (2 * np.pi * apart), 0.0)
    found = np.einsum("ij,ij->i", times, _turns(-frequency, size, rate_hz))
    return frequency, 2 * found / frames.total[which]


def _turns(frequency: Floats, size: int, rate_hz: float) -> NDArray[np.complex64]:
    """Return exp(2 pi i f t) (k, s) of each ``frequency`` (k,) in Hz over a frame's samples.

    Products of a coarse and a fine turn, which are quicker than as many exponentials.
    """
    angle = 2j * np.pi / rate_hz * frequency[:, None]
    coarse, fine = np.exp(angle * np.arange(0, size, FINE)), np.exp(angle * np.arange(FINE))
    turns = coarse.astype(np.complex64)[:, :, None] * fine.astype(np.complex64)[:, None]
    joined = turns.reshape(len(frequency), coarse.shape[1] * FINE)[:, :size]
    return np.asarray(joined, np.complex64)
