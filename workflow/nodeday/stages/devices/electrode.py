r"""Figures of an ECG node fed by a patient simulator: heart rate of a step, noise, mains pick-up.

Noise is measured where the simulator is level: in a step ``flat``, else between the T wave and the next
P wave, where short windows hold nothing else::

    R      T            P  R
    |\__/--\__________/-\_|\
                |====|               52 % to 65 % of the interval
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.core.arrays import Bools, Floats, Ints

QUIET = (0.52, 0.65)
"""After the T wave and before the P wave, in shares of the interval; true for the waves of a normal
sinus rhythm up to about 100 bpm. A choice of this project."""
SLOW_BPM = 100.0
"""Fastest step whose interval has a quiet part."""
BLOCK_S = 0.2
"""A flat step is cut into windows so short that a mains frequency off by 0.5 Hz is still caught to 2 %."""
LEAST_WINDOWS, LEAST_SAMPLES = 10, 10


@dataclass(frozen=True)
class ElectrodeSignal:
    """An ECG: instants (n,) in nanoseconds UTC in order, values in mV, and which were measured."""

    utc_ns: Ints
    value_mv: Floats
    measured: Bools
    rate_hz: float

    def within(self, start_ns: int, end_ns: int) -> ElectrodeSignal:
        """Return the signal in [start_ns, end_ns)."""
        first, last = np.searchsorted(self.utc_ns, [start_ns, end_ns])
        part = slice(int(first), int(last))
        return ElectrodeSignal(self.utc_ns[part], self.value_mv[part], self.measured[part], self.rate_hz)

    def complete(self, start_ns: Ints, end_ns: Ints) -> Bools:
        """Return which stretches [start, end) (w,) hold measured samples only, and all that they should."""
        first, last = np.searchsorted(self.utc_ns, start_ns), np.searchsorted(self.utc_ns, end_ns)
        count = np.concatenate([[0], np.cumsum(self.measured)])
        due = (end_ns - start_ns) * self.rate_hz / 1e9
        measured = count[last] - count[first]
        return np.asarray((measured == last - first) & (measured > due - 1.5), np.bool_)


def rate_bpm(beat_ns: Ints, signal: ElectrodeSignal) -> tuple[float, int]:
    """Return the heart rate over beats (b,) in order, and how many intervals it rests on.

    60 x intervals / their seconds. Intervals with a hole inside do not count; all others do, so that a beat
    missed or seen twice shows in the rate. NaN without an interval.
    """
    start, end = beat_ns[:-1], beat_ns[1:]
    complete = signal.complete(start, end)
    seconds, intervals = float((end - start)[complete].sum()) / 1e9, int(complete.sum())
    return (60.0 * intervals / seconds if seconds > 0 else float("nan")), intervals


def blocks(signal: ElectrodeSignal) -> Floats:
    """Return windows (w, n) of ``BLOCK_S`` of a flat step in mV, none across a hole."""
    size = int(BLOCK_S * signal.rate_hz)
    starts = np.arange(0, len(signal.utc_ns) - size + 1, max(size, 1))
    return _cut(signal, starts, size)


def quiet_windows(signal: ElectrodeSignal, beat_ns: Ints) -> Floats:
    """Return windows (w, n) in mV between T and P wave of each complete interval between beats (b,)."""
    start, end = beat_ns[:-1], beat_ns[1:]
    if not len(start):
        return np.empty((0, 0))
    use = signal.complete(start, end)
    size = int((QUIET[1] - QUIET[0]) * float(np.median(end - start)) / 1e9 * signal.rate_hz)
    at = start[use] + np.rint(QUIET[0] * (end - start)[use]).astype(np.int64)
    return _cut(signal, np.searchsorted(signal.utc_ns, at), size)


def _cut(signal: ElectrodeSignal, starts: Ints, size: int) -> Floats:
    """Return windows (w, size) in mV from sample numbers ``starts`` on, those without a hole."""
    starts = starts[starts + size <= len(signal.utc_ns)]
    if not len(starts) or size < 1:
        return np.empty((0, size))
    index = starts[:, None] + np.arange(size)
    utc = signal.utc_ns[index]
    even = (utc[:, -1] - utc[:, 0]) * signal.rate_hz / 1e9 < size - 0.5
    kept = signal.measured[index].all(axis=1) & even
    return np.asarray(signal.value_mv[index[kept]], np.float64)


def noise_and_mains(windows: Floats, rate_hz: float, mains_hz: float) -> tuple[float, float]:
    """Return the RMS of noise and of mains pick-up in mV, in windows (w, n) in mV that hold nothing else.

    In each window a level, a slope and a wave of the mains frequency are fitted by least squares;
    noise is what is left, per degree of freedom, and so reaches down to about one over the window.
    The power that noise alone adds to the wave is taken off. Mains is NaN where the rate
    cannot carry it; both are NaN in too few or too short windows.
    """
    count, size = windows.shape
    if count < LEAST_WINDOWS or size < LEAST_SAMPLES:
        return float("nan"), float("nan")
    at = np.arange(size) / rate_hz
    turn = 2 * np.pi * mains_hz * at
    line = [np.ones(size), at - at.mean()]
    carried = rate_hz > 2.1 * mains_hz
    design = np.stack([*line, np.cos(turn), np.sin(turn)] if carried else line, axis=1)
    fit, _, _, _ = np.linalg.lstsq(design, windows.T, rcond=None)
    residual = windows.T - design @ fit
    variance = float((residual**2).sum()) / (count * (size - design.shape[1]))
    if not carried:
        return float(np.sqrt(variance)), float("nan")
    of_noise = variance * float(np.trace(np.linalg.inv(design.T @ design)[2:, 2:])) / 2
    power = float(np.mean(fit[2] ** 2 + fit[3] ** 2)) / 2 - of_noise
    return float(np.sqrt(variance)), float(np.sqrt(max(power, 0.0)))
