"""Synthetic ECG whose R peaks are known.

Dynamical model of McSharry, Clifford, Tarassenko and Smith, IEEE Trans. Biomed. Eng.
50(3):289-294, 2003; constants as in its published program.

On the limit cycle the angle does not depend on the voltage, so with the angle given the voltage
follows a linear equation of first order, dz/dt = u(t) - z, which is a recursive filter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.signal import lfilter

from nodeday.core.arrays import Floats

FINE_HZ = 500.0
ANGLE_DEG = (-70.0, -15.0, 0.0, 15.0, 100.0)  # P Q R S T
HEIGHT = (1.2, -5.0, 30.0, -7.5, 0.75)
WIDTH = (0.25, 0.1, 0.1, 0.1, 0.4)
ANGLE_POWER = (0.25, 0.5, 0.0, 0.5, 0.25)
"""Angles grow with (heart rate / 60) to this power, widths with its square root."""
RESPIRATION_HZ, BASELINE = 0.25, 0.005
LOW_HZ, HIGH_HZ, BAND_HZ, LOW_TO_HIGH = 0.1, 0.25, 0.01, 0.5
"""Centres and width of the two bands of heart-rate variability, and their power ratio."""
LEAST_MV, MOST_MV = -0.4, 1.2
"""Range in mV that the published program scales to (from memory)."""
R_WINDOW_S = 0.03


@dataclass(frozen=True)
class Ecg:
    """Voltage ``voltage_mv`` (n,) at ``FINE_HZ`` from second ``start_s``; R peaks at seconds ``r_s`` (b,)."""

    start_s: float
    voltage_mv: Floats
    r_s: Floats

    def at(self, seconds: Floats) -> Floats:
        """Return the voltage (n,) in mV, interpolated linearly between the points of the fine grid."""
        index = (seconds - self.start_s) * FINE_HZ
        return np.asarray(np.interp(index, np.arange(len(self.voltage_mv)), self.voltage_mv), np.float64)


NO_ECG = Ecg(0.0, np.zeros(1), np.zeros(0))


def variability(n: int, rate_hz: float, rng: np.random.Generator) -> Floats:
    """Return noise (n,) of mean 0 and variance 1 whose spectrum is two Gaussians, at 0.1 and 0.25 Hz."""
    frequency = np.asarray(np.fft.rfftfreq(n, 1 / rate_hz), np.float64)
    density = LOW_TO_HIGH * _bell(frequency, LOW_HZ) + _bell(frequency, HIGH_HZ)
    phases = np.exp(2j * np.pi * rng.random(len(frequency)))
    wave = np.fft.irfft(np.sqrt(density) * phases, n)
    deviation = float(wave.std())
    return (wave - wave.mean()) / deviation if deviation > 0 else np.zeros(n)


def _bell(frequency: Floats, centre: float) -> Floats:
    return np.asarray(np.exp(-0.5 * ((frequency - centre) / BAND_HZ) ** 2), np.float64)


def beats_elapsed(bpm: Floats, spread_bpm: Floats, rate_hz: float, rng: np.random.Generator) -> Floats:
    """Return the beats elapsed (n,) on a grid of ``rate_hz``: the integral of 1 / RR(t).

    RR(t) = 60 / bpm + variability of standard deviation 60 spread / bpm^2, as in the source. Here
    1 / RR(t) is a rate that goes on between beats, so that the angle is smooth. R peaks lie at
    whole numbers. RR(t) is never below 0.25 s.
    """
    rr = 60.0 / bpm + 60.0 * spread_bpm / bpm**2 * variability(len(bpm), rate_hz, rng)
    rr = np.maximum(rr, 0.25)
    return np.asarray(cumulative_trapezoid(1.0 / rr, dx=1.0 / rate_hz, initial=0), np.float64)


def voltage(elapsed: Floats, bpm: Floats, seconds: Floats) -> Floats:
    """Return the voltage (n,) of the model, unscaled, for an angle of 2 pi ``elapsed`` on the fine grid."""
    angle = 2 * np.pi * (elapsed - np.rint(elapsed))
    factor = np.sqrt(bpm / 60.0)
    drive = BASELINE * np.sin(2 * np.pi * RESPIRATION_HZ * seconds)
    for degrees, height, width, power in zip(ANGLE_DEG, HEIGHT, WIDTH, ANGLE_POWER, strict=True):
        apart = angle - np.deg2rad(degrees) * factor ** (2 * power)
        apart -= 2 * np.pi * np.rint(apart / (2 * np.pi))
        drive -= height * apart * np.exp(-0.5 * (apart / (width * factor)) ** 2)
    half = 0.5 / FINE_HZ  # the trapezoidal rule, second order
    return np.asarray(lfilter([half, half], [1 + half, half - 1], drive), np.float64)


def synthesise(bpm: Floats, spread_bpm: Floats, start_s: float, rng: np.random.Generator) -> Ecg:
    """Return an ECG for a mean heart rate ``bpm`` and its standard deviation, (n,) on the fine grid."""
    elapsed = beats_elapsed(bpm, spread_bpm, FINE_HZ, rng) + 0.5
    seconds = start_s + np.arange(len(bpm)) / FINE_HZ
    raw = voltage(elapsed, bpm, seconds)
    low, high = np.percentile(raw, [0.02, 99.98])  # a single odd beat does not set the scale
    scaled = LEAST_MV + (raw - low) / (high - low) * (MOST_MV - LEAST_MV)
    crossings = np.interp(np.arange(1, int(elapsed[-1]) + 1), elapsed, np.arange(len(elapsed)))
    return Ecg(start_s, scaled, start_s + peaks(scaled, crossings) / FINE_HZ)


def peaks(signal: Floats, near: Floats) -> Floats:
    """Return positions (b,), in samples and fractions, of the maxima within 30 ms of ``near``.

    The voltage peaks a little after the angle passes zero, because the next wave acts on it.
    """
    reach = int(R_WINDOW_S * FINE_HZ)
    centre = np.clip(np.rint(near).astype(np.int64), reach + 1, len(signal) - reach - 2)
    window = centre[:, None] + np.arange(-reach, reach + 1)
    top = centre - reach + signal[window].argmax(axis=1)
    before, at, after = signal[top - 1], signal[top], signal[top + 1]
    bend = before - 2 * at + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    return np.asarray(top + np.clip(shift, -0.5, 0.5), np.float64)
