"""Breaths per minute from an ECG: what breathing does to baseline, amplitude and intervals, fused.

The three modulations are those of Charlton et al. 2016 (Physiol. Meas. 37:610), who found the fusion of the
three best. The fusion here is a choice of this project: the mean of their spectra, weighted by how much of
each lies at its peak, since one lead may show breathing in one of them alone.

Power times frequency is what is looked at. A drift of the baseline and the slow waves of blood pressure in
the intervals have their power at 0.1 Hz and below; without that weight they pass for 6 or 7 breaths a minute.
"""

from __future__ import annotations

import numpy as np

from nodeday.core.arrays import Floats
from nodeday.stages.features.heart.spectrum import density, wave_basis

LOW_HZ, HIGH_HZ, STEP_HZ, EDGE = 0.1, 0.7, 0.005, 3
"""6 to 42 breaths a minute."""
AGREE_HZ, LEAST_BEATS = 0.04, 20
"""Rates within 2.4 breaths a minute agree."""
LEAST_SHARE, ALONE = 0.4, 0.5
"""So much of the fused spectrum lies around its peak: three signals of noise reach that in two windows of a
hundred. Two modulations agree with it, or one does that has half of its spectrum there. Choices of this
project."""


def breaths_per_minute(seconds: Floats, modulations: Floats) -> float:
    """Return the respiration rate from three ``modulations`` (3, b) sampled at beats at ``seconds`` (b,).

    NaN where they show no common rate and none shows a clear one, where there are too few beats, or where
    the rate would be above half the rate of the beats.
    """
    if len(seconds) < LEAST_BEATS:
        return float("nan")
    nyquist = 0.5 / float(np.median(np.diff(seconds)))
    frequency = np.arange(LOW_HZ, min(HIGH_HZ, 0.95 * nyquist), STEP_HZ)
    if len(frequency) <= 2 * EDGE:
        return float("nan")
    spectra = _spectra(seconds, modulations, frequency)
    peaks = frequency[spectra.argmax(axis=1)]
    shares = np.array([_around(row, frequency, peak) for row, peak in zip(spectra, peaks, strict=True)])
    fused = shares @ spectra / max(float(shares.sum()), 1e-12)
    top = int(fused.argmax())
    agree = np.abs(peaks - frequency[top]) <= AGREE_HZ
    clear = agree.sum() >= 2 or (agree & (shares >= ALONE)).any()
    # A peak at an edge is the flank of one beyond it.
    inside = EDGE <= top < len(frequency) - EDGE
    if not inside or not clear or _around(fused, frequency, frequency[top]) < LEAST_SHARE:
        return float("nan")
    before, at, after = fused[top - 1 : top + 2]
    bend = before - 2 * at + after
    shift = 0.5 * (before - after) / bend if bend < 0 else 0.0
    return float(60 * (frequency[top] + shift * STEP_HZ))


def _spectra(seconds: Floats, modulations: Floats, frequency: Floats) -> Floats:
    """Return power times frequency (3, f) of each of ``modulations`` (3, b), as shares of its sum."""
    basis = wave_basis(seconds, frequency)
    spectra = density(basis, _without_outliers(modulations), np.ones(modulations.shape)) * frequency
    total = spectra.sum(axis=1, keepdims=True)
    return np.asarray(np.divide(spectra, total, out=np.zeros_like(spectra), where=total > 0), np.float64)


def _around(spectrum: Floats, frequency: Floats, peak_hz: float) -> float:
    """Return the share of a ``spectrum`` (f,) that lies around ``peak_hz``."""
    return float(spectrum[np.abs(frequency - peak_hz) <= AGREE_HZ].sum())


def _without_outliers(values: Floats) -> Floats:
    """Return ``values`` (3, b) limited to three interquartile ranges off the median of each row.

    So that one odd beat does not make the spectrum.
    """
    low, middle, high = np.percentile(values, [25, 50, 75], axis=1, keepdims=True)
    reach = 3 * np.maximum(high - low, 1e-12)
    return np.asarray(np.clip(values, middle - reach, middle + reach), np.float64)
