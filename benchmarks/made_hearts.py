"""Hearts with known beats, made of bells: low QRS, wide and early beats, blocks, flutter, pacing.

It shares no code with the project's simulator. The signal is drawn at 8 kHz and brought down with a filter,
as a converter's would, so that a pacing pulse of half a millisecond is smeared over a few samples. Heights
and widths are of the order that textbooks of electrocardiography give, from memory; the hearts are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.signal import firwin, lfilter, resample_poly

FINE_HZ = 8000
SECONDS = 180.0
Wave = tuple[float, float, float]
"""Delay after the beat in s, height in mV, and width (standard deviation) in s."""

P: Wave = (-0.16, 0.12, 0.022)
T: Wave = (0.28, 0.25, 0.05)
NARROW: tuple[Wave, ...] = ((-0.028, -0.1, 0.008), (0.0, 1.0, 0.011), (0.030, -0.2, 0.010))
LOW: tuple[Wave, ...] = ((-0.02, -0.08, 0.010), (0.0, 0.26, 0.014), (0.035, -0.14, 0.014))
WIDE: tuple[Wave, ...] = ((0.0, 1.1, 0.030), (0.075, -0.35, 0.030), (0.30, -0.4, 0.06))
DOWN: tuple[Wave, ...] = ((-0.045, 0.2, 0.020), (0.0, -1.0, 0.034), (0.29, 0.45, 0.06))
PACED: tuple[Wave, ...] = ((0.0, -1.0, 0.030), (-0.05, -0.3, 0.02), (0.28, 0.4, 0.06))
TWO_SIDED: tuple[Wave, ...] = ((-0.025, 1.55, 0.012), (0.065, -1.55, 0.026), (0.33, 0.9, 0.06))


@dataclass(frozen=True)
class MadeHeart:
    """``signal`` (n,) in mV at ``rate_hz``; ``beats_s`` (b,), each of the class of its number in ``kind``."""

    signal: Any
    rate_hz: float
    beats_s: Any
    kind: Any


class Trace:
    """A trace at 8 kHz that waves are drawn into."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        self.volt = np.zeros(int(SECONDS * FINE_HZ))
        self.beats: list[tuple[float, int]] = []

    def waves(self, at_s: float, waves: tuple[Wave, ...], scale: float = 1.0) -> None:
        for delay, height, width in waves:
            centre, reach = (at_s + delay) * FINE_HZ, int(4 * width * FINE_HZ)
            low, high = max(int(centre) - reach, 0), min(int(centre) + reach, len(self.volt))
            if low < high:
                away = (np.arange(low, high) - centre) / (width * FINE_HZ)
                self.volt[low:high] += scale * height * np.exp(-0.5 * away**2)

    def beat(self, at_s: float, kind: int, waves: tuple[Wave, ...]) -> None:
        breath = 1 + 0.08 * np.sin(2 * np.pi * 0.24 * at_s) + 0.02 * self.rng.standard_normal()
        self.waves(at_s, waves, breath)
        self.beats.append((at_s, kind))

    def spike(self, at_s: float, height: float = 4.0) -> None:
        first = int(at_s * FINE_HZ)
        self.volt[first : first + 4] += height * 4  # 0.5 ms, so high that the filter leaves about ``height``

    def discharge(self, at_s: float, height: float, lasts_s: float) -> None:
        """The electrode gives back half of a spike's charge; the rest goes slowly, below what is seen."""
        first, last = int(at_s * FINE_HZ) + 4, int((at_s + lasts_s) * FINE_HZ)
        self.volt[first:last] -= height * 8 / (last - first)

    def heart(self, rate_hz: int, noise_mv: float = 0.012) -> MadeHeart:
        fine = np.arange(len(self.volt)) / FINE_HZ
        volt = self.volt + 0.15 * np.sin(2 * np.pi * 0.24 * fine) + 0.2 * np.sin(2 * np.pi * 0.05 * fine + 1)
        volt = lfilter(firwin(129, 0.4 * rate_hz, fs=FINE_HZ), 1.0, np.append(volt, np.zeros(64)))[64:]
        divisor = np.gcd(rate_hz, FINE_HZ)
        signal = resample_poly(volt, rate_hz // divisor, FINE_HZ // divisor)
        signal = signal + noise_mv * self.rng.standard_normal(len(signal))
        at, kind = np.array(self.beats or np.zeros((0, 2))).T
        order = np.argsort(at)
        return MadeHeart(signal, float(rate_hz), at[order], kind[order].astype(int))


def instants(rng: Any, period_s: float, sway: float = 0.03) -> list[float]:
    at, out = 1.0, []
    while at < SECONDS - 1.5:
        out.append(at)
        at += period_s * (1 + sway * np.sin(2 * np.pi * 0.24 * at) + 0.01 * rng.standard_normal())
    return out


def sinus(
    trace: Trace, period: float = 0.85, qrs: tuple[Wave, ...] = NARROW, p: Wave = P, t: Wave = T
) -> None:
    for at in instants(trace.rng, period):
        trace.beat(at, 0, (p, *qrs, t))


def early(trace: Trace, waves: tuple[Wave, ...], every: int, coupling: tuple[float, float]) -> None:
    """Every so many beats one comes early, after a share of the period, and a pause follows it."""
    for number, at in enumerate(instants(trace.rng, 0.85)):
        if number % every < every - 1:
            trace.beat(at, 0, (P, *NARROW, T))
        else:
            trace.beat(at - (1 - trace.rng.uniform(*coupling)) * 0.85, 1, waves)


def aberrant(trace: Trace) -> None:
    """Early beats from the atria, conducted slowly: wider, of other shape and half the height."""
    shape: tuple[Wave, ...] = (
        (-0.14, 0.1, 0.02),
        (0.0, 0.5, 0.014),
        (0.045, -0.45, 0.018),
        (0.09, 0.1, 0.015),
        (0.3, 0.2, 0.05),
    )
    early(trace, shape, 6, (0.5, 0.75))


def low_with_tall_p(trace: Trace, pr_s: float) -> None:
    sinus(trace, 0.9, LOW, (-pr_s, 0.24, 0.022), (0.3, 0.15, 0.05))


def alternating(trace: Trace) -> None:
    for number, at in enumerate(instants(trace.rng, 0.6)):
        scale = 0.5 if number % 2 else 1.0
        trace.beat(at, number % 2, (P, *((late, scale * high, wide) for late, high, wide in NARROW), T))


def blocked(trace: Trace, conducted: int) -> None:
    """One P wave in ``conducted`` has no QRS; at 2 every second one."""
    for number, at in enumerate(instants(trace.rng, 0.75)):
        if number % conducted == conducted - 1:
            trace.waves(at, ((-0.18, 0.22, 0.024),))
        else:
            trace.beat(at, 0, ((-0.18, 0.22, 0.024), *((a, 0.7 * b, c) for a, b, c in NARROW), T))


def complete_block(trace: Trace) -> None:
    """P waves at 85 a minute, wide escape beats at 38, neither knowing of the other."""
    for at in instants(trace.rng, 60 / 85):
        trace.waves(at, ((0.0, 0.2, 0.024),))
    for at in instants(trace.rng, 60 / 38, 0.01):
        trace.beat(at, 0, tuple((a, 0.7 * b, c) for a, b, c in WIDE))


def flutter(trace: Trace, regular: bool) -> None:
    """Saw teeth of 0.2 mV at 290 a minute; every fourth, or second to fifth, conducted."""
    tooth, at, left = 60 / 290, 1.0, 0
    while at < SECONDS - 1.5:
        trace.waves(at, ((-0.08, 0.2, 0.030), (-0.01, -0.1, 0.035)))
        if left == 0:
            trace.beat(at + 0.05, 0, ((0.0, 0.8, 0.011), (0.03, -0.15, 0.01)))
            left = 4 if regular else int(trace.rng.integers(2, 6))
        left, at = left - 1, at + tooth


def fibrillation(trace: Trace) -> None:
    at = 1.0
    while at < SECONDS - 1.5:
        trace.beat(at, 0, (*NARROW, T))
        at += trace.rng.gamma(14, 0.70 / 14) * 0.65 + 0.3 * 0.65
    fine = np.arange(len(trace.volt)) / FINE_HZ
    phase = 2 * np.pi * np.cumsum(6 + 0.8 * np.sin(2 * np.pi * 0.3 * fine)) / FINE_HZ
    trace.volt += 0.07 * np.sin(phase) + 0.025 * np.sin(2 * phase)


def tachycardia(trace: Trace) -> None:
    """Runs of eight wide beats at 170 a minute between thirty narrow ones."""
    at, number = 1.0, 0
    while at < SECONDS - 1.5:
        wide = number % 38 >= 30
        trace.beat(at, int(wide), (*WIDE[:2], (0.2, -0.3, 0.04)) if wide else (P, *NARROW, T))
        number += 1
        at += 60 / 170 if wide and number % 38 else 0.8


def paced(trace: Trace, height: float, latency: float = 0.07, fails: bool = False) -> None:
    """Spikes at 70 a minute, a wide QRS 70 ms after each, P waves that know nothing of it."""
    for at in instants(trace.rng, 60 / 82):
        trace.waves(at, ((0.0, 0.1, 0.022),))
    for number, at in enumerate(np.arange(1.0, SECONDS - 1.5, 60 / 70)):
        trace.spike(at - latency, height)
        if not fails or number % 40 < 36:
            trace.beat(at, 0, PACED)


def paced_both(trace: Trace) -> None:
    """A spike before the P wave and one before the QRS."""
    for at in instants(trace.rng, 60 / 70, 0.02):
        trace.spike(at - 0.24, 1.5)
        trace.spike(at - 0.07, 4.0)
        trace.beat(at, 0, ((-0.19, 0.1, 0.022), *PACED))


def spikes_late(trace: Trace) -> None:
    """Spikes that come too late, within a QRS of the heart's own conduction."""
    for at in instants(trace.rng, 0.85):
        trace.spike(at + trace.rng.uniform(-0.02, 0.005))
        trace.beat(at, 0, (P, *NARROW, T))


def spikes_alone(trace: Trace) -> None:
    """A pacemaker without a heart."""
    for at in np.arange(1.0, SECONDS - 1, 60 / 70):
        trace.spike(at, 4.0)


def spikes_and_discharge(trace: Trace) -> None:
    """A pacemaker without a heart, whose electrode discharges within 25 to 45 ms, as long at every spike."""
    lasts_s = trace.rng.uniform(0.025, 0.045)
    for at in np.arange(1.0, SECONDS - 1, 60 / 72):
        trace.spike(at, 4.0)
        trace.discharge(at, 4.0, lasts_s)


def two_sided(trace: Trace) -> None:
    """Wide beats of a peak and an equal trough 90 ms later, whose ratio wanders."""
    for at in instants(trace.rng, 0.8):
        ratio = 1 + 0.12 * np.sin(2 * np.pi * at / 37) + 0.05 * trace.rng.standard_normal()
        up, down, t = TWO_SIDED
        trace.beat(at, 0, ((up[0], up[1] * ratio, up[2]), (down[0], down[1] / ratio, down[2]), t))


def two_peaks(trace: Trace) -> None:
    """An R and an R' 45 ms later, of about one height, as with a block of the right bundle."""
    for at in instants(trace.rng, 0.8):
        ratio = 1 + 0.08 * np.sin(2 * np.pi * at / 31) + 0.03 * trace.rng.standard_normal()
        shape = ((0.0, 0.8 * ratio, 0.009), (0.022, -0.3, 0.008), (0.045, 0.8 / ratio, 0.014), T)
        trace.beat(at, 0, (P, *shape))


HEARTS: dict[str, Callable[[Trace], None]] = {
    "sinus": sinus,
    "sinus at 150": lambda trace: sinus(trace, 0.4, NARROW, (-0.13, 0.1, 0.018), (0.17, 0.2, 0.03)),
    "tall T": lambda trace: sinus(trace, 0.85, NARROW, P, (0.27, 0.9, 0.05)),
    "low QRS, tall P, PR 160 ms": lambda trace: low_with_tall_p(trace, 0.16),
    "low QRS, tall P, PR 220 ms": lambda trace: low_with_tall_p(trace, 0.22),
    "low QRS, tall P, PR 280 ms": lambda trace: low_with_tall_p(trace, 0.28),
    "wide early beats": lambda trace: early(trace, WIDE, 7, (0.45, 0.75)),
    "wide early beats down": lambda trace: early(trace, DOWN, 7, (0.45, 0.75)),
    "wide early beats on the T": lambda trace: early(trace, WIDE, 7, (0.38, 0.45)),
    "bigeminy": lambda trace: early(trace, DOWN, 2, (0.5, 0.65)),
    "aberrant early beats": aberrant,
    "alternating": alternating,
    "block 2:1": lambda trace: blocked(trace, 2),
    "block 4:3": lambda trace: blocked(trace, 4),
    "complete block": complete_block,
    "flutter 4:1": lambda trace: flutter(trace, True),
    "flutter, irregular": lambda trace: flutter(trace, False),
    "fibrillation": fibrillation,
    "runs of wide beats": tachycardia,
    "paced, no spike seen": lambda trace: paced(trace, 0.0),
    "paced, spikes 0.5 mV": lambda trace: paced(trace, 0.5),
    "paced, spikes 4 mV": lambda trace: paced(trace, 4.0),
    "paced, spikes -4 mV": lambda trace: paced(trace, -4.0),
    "paced, some fail": lambda trace: paced(trace, 4.0, fails=True),
    "paced in both chambers": paced_both,
    "spikes within the QRS": spikes_late,
    "spikes without a heart": spikes_alone,
    "spikes, discharge, no heart": spikes_and_discharge,
    "two-sided wide beats": two_sided,
    "two peaks": two_peaks,
}
RATES = (250, 360, 500)


def made(name: str, rate_hz: int, seed: int = 0) -> MadeHeart:
    """Return the heart ``name`` of ``HEARTS``, sampled at ``rate_hz``."""
    trace = Trace(seed)
    HEARTS[name](trace)
    return trace.heart(rate_hz)
