"""Signals with and without a heart for ``heart_absent.py``, in mV at 250 Hz.

The noise of the Noise Stress Test records stands alone here: 118 at 6 dB less 118 at 24 dB holds no heart,
since both hold the same one. Its size at 6 dB is the full size. All else is simulated, by code that shares
nothing with the stage. Amplitudes and forms are this project's choice."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from records import records
from scipy.signal import butter, resample_poly, sosfilt

RATE = 250.0
LENGTH_S = 240
COUNTS_PER_MV, RAIL_MV = 200.0, 5.0
NOISE_S = range(300, 1800, 240)
"""Starts of the two minutes with noise in a record of the Noise Stress Test."""


@dataclass(frozen=True)
class Made:
    """A signal in mV at 250 Hz, and the heart's beats in s; None where there is no heart."""

    signal: Any
    beats: Any = None


def at_rate(signal: Any, rate: float) -> Any:
    """``signal`` at 250 Hz."""
    turn = Fraction(int(RATE), int(rate))
    return resample_poly(signal, turn.numerator, turn.denominator, padtype="line")


def measured(signal: Any) -> Any:
    """``signal`` as a converter of 12 bits gives it: 5 uV of noise, steps, rails."""
    noisy = signal + 0.005 * np.random.default_rng(9).standard_normal(len(signal))
    return np.clip(np.rint(noisy * COUNTS_PER_MV) / COUNTS_PER_MV, -RAIL_MV, RAIL_MV)


def electrode_motion() -> list[Any]:
    """Recorded electrode motion alone, two minutes each: six blocks of both channels, at the size of 6 dB."""
    import wfdb

    folder = Path(os.environ["NODEDAY_OPEN_DATA"]) / "nstdb"
    loud, quiet = (wfdb.rdrecord(str(folder / name)) for name in ("118e06", "118e24"))
    noise = (loud.p_signal - quiet.p_signal) / (1 - 10 ** (-18 / 20))
    parts = [noise[start * loud.fs : (start + 120) * loud.fs] for start in NOISE_S]
    return [at_rate(part[:, channel], loud.fs) for channel in (0, 1) for part in parts]


def seconds(length_s: float = LENGTH_S) -> Any:
    return np.arange(int(length_s * RATE)) / RATE


def coloured(exponent: float, rng: np.random.Generator) -> Any:
    """Noise of standard deviation 1 whose power falls with frequency to the ``exponent``, from 0.05 Hz on."""
    spectrum = np.fft.rfft(rng.standard_normal(int(LENGTH_S * RATE)))
    frequency = np.fft.rfftfreq(int(LENGTH_S * RATE), 1 / RATE)
    noise = np.fft.irfft(spectrum * np.maximum(frequency, 0.05) ** (-exponent / 2), int(LENGTH_S * RATE))
    return noise / noise.std()


def wander(rng: np.random.Generator) -> Any:
    """A baseline that breathes at 15 a minute, with slow noise."""
    return 0.15 * np.sin(2 * np.pi * 0.25 * seconds()) + 0.1 * coloured(2.0, rng)


def mains(size_mv: float, hertz: float) -> Any:
    """Mains with a tenth of its third harmonic."""
    angle = 2 * np.pi * hertz * seconds()
    return size_mv * (np.sin(angle) + 0.1 * np.sin(3 * angle))


def beaten(at_s: Any, pulse: Callable[[Any], Any], sizes: Any) -> Any:
    """A ``pulse`` (of seconds after its start) at each of ``at_s``, of these ``sizes``."""
    signal = np.zeros(int(LENGTH_S * RATE))
    after = np.arange(int(1.5 * RATE)) / RATE
    for at, size in zip(at_s, sizes, strict=True):
        first = int(np.ceil(at * RATE))
        part = signal[first : first + len(after)]
        part += size * pulse(after[: len(part)] + (first / RATE - at))
    return signal


def in_rhythm(per_s: float, spread: float, rng: np.random.Generator) -> Any:
    """Instants of a steady rhythm, each interval off by a share of ``spread``."""
    steps = (1 + spread * rng.standard_normal(int(1.5 * LENGTH_S * per_s))) / per_s
    at = 0.7 + np.cumsum(np.maximum(steps, 0.2))
    return at[at < LENGTH_S - 2]


def swing(hertz: float, decay_s: float) -> Callable[[Any], Any]:
    """A damped swing."""
    return lambda t: np.sin(2 * np.pi * hertz * t) * np.exp(-t / decay_s)


def step_and_decay(t: Any) -> Any:
    """An electrode that is knocked: up within 20 ms, back within half a second."""
    return (1 - np.exp(-t / 0.02)) * np.exp(-t / 0.3)


def thumps(per_s: float, pulse: Callable[[Any], Any], seed: int) -> Any:
    """Steps of a walker on an open electrode: mains, wander, and a pulse for each step."""
    rng = np.random.default_rng(seed)
    at = in_rhythm(per_s, 0.02, rng)
    sizes = 1.2 * (1 + 0.15 * rng.standard_normal(len(at)))
    return beaten(at, pulse, sizes) + wander(rng) + mains(0.05, 50.03)


def pacing(size_mv: float, width_s: float, per_s: float, seed: int) -> Any:
    """Pacing spikes without a heart: pulses of 8 kHz resolution through the converter's filter of 100 Hz."""
    rng, fine = np.random.default_rng(seed), 8000
    pulses = np.zeros(LENGTH_S * fine)
    width = max(1, round(width_s * fine))
    for at in np.arange(0.6, LENGTH_S - 1, 1 / per_s):
        start = round(at * fine)
        pulses[start : start + width] = size_mv
        pulses[start + width : start + 20 * width] = -size_mv / 40  # the electrode discharges
    filtered = sosfilt(butter(4, 100, fs=fine, output="sos"), pulses)
    return filtered[:: fine // int(RATE)] + wander(rng)


def compressions(seed: int) -> Any:
    """Chest compressions at 110 a minute: a broad wave of 2 mV with its harmonics."""
    rng = np.random.default_rng(seed)
    beat = np.cumsum(1 / RATE * (110 / 60) * (1 + 0.02 * coloured(1.0, rng)))
    wave = sum(
        size * np.sin(2 * np.pi * k * beat + k) for k, size in ((1, 1.0), (2, 0.6), (3, 0.3), (4, 0.15))
    )
    return 1.2 * (1 + 0.1 * coloured(1.0, rng)) * wave + wander(rng)


def bursts(per_s: float, seed: int) -> Any:
    """Muscle bursts of 20 to 120 Hz, a third of a second each, over a flat line."""
    rng = np.random.default_rng(seed)
    noise = sosfilt(
        butter(2, (20, 120), "bandpass", fs=RATE, output="sos"), rng.standard_normal(LENGTH_S * 250)
    )
    at = in_rhythm(per_s, 0.3, rng)
    hull = beaten(at, lambda t: np.sin(np.pi * np.minimum(t / 0.33, 1.0)) ** 2, 0.5 + rng.random(len(at)))
    return noise / noise.std() * hull + wander(rng)


def open_electrode(seed: int, at_rail: bool) -> Any:
    """No contact: mains and slow drift, or the amplifier at its rail most of the time."""
    rng = np.random.default_rng(seed)
    drift = (6.0 if at_rail else 1.0) * coloured(2.0, rng)
    return drift + mains(0.8, 49.97) + 0.02 * rng.standard_normal(len(drift)) + (4.0 if at_rail else 0.0)


def without_heart() -> dict[str, list[Made]]:
    """Every kind of signal without a heart, several of each."""
    rng = np.random.default_rng
    kinds: dict[str, list[Any]] = {
        "electrode motion, full size": electrode_motion(),
        "electrode motion, half size": [0.5 * part for part in electrode_motion()],
        "white noise": [size * coloured(0.0, rng(k)) for k, size in enumerate((0.03, 0.1, 0.5))],
        "pink noise": [size * coloured(1.0, rng(k)) for k, size in enumerate((0.1, 0.3, 1.0))],
        "brown noise": [size * coloured(2.0, rng(k)) for k, size in enumerate((0.1, 0.5, 1.5))],
        "open electrode": [open_electrode(k, False) for k in range(3)],
        "amplifier at its rail": [open_electrode(k, True) for k in range(3)],
        "flat line, wander": [wander(rng(k)) for k in range(3)],
        "asystole, pacing spikes": [
            pacing(size, width, rate, k)
            for k, (size, width, rate) in enumerate(
                ((2, 0.0005, 1.0), (4, 0.0005, 1.0), (2, 0.002, 1.0), (4, 0.002, 1.0), (3, 0.001, 1.2))
            )
        ],
        "thumps, swings": [
            thumps(rate, swing(hertz, decay), k)
            for k, (rate, hertz, decay) in enumerate(
                ((1.8, 3, 0.1), (1.8, 5, 0.08), (1.8, 8, 0.06), (1.8, 12, 0.05), (2.1, 4, 0.15))
            )
        ],
        "thumps, steps that decay": [
            thumps(rate, step_and_decay, k) for k, rate in enumerate((1.5, 1.8, 2.2))
        ],
        "chest compressions": [compressions(k) for k in range(3)],
        "muscle bursts": [bursts(rate, k) for k, rate in enumerate((0.5, 1.2, 2.0))],
    }
    return {name: [Made(measured(part)) for part in parts] for name, parts in kinds.items()}


def with_heart() -> dict[str, list[Made]]:
    """Recorded hearts, alone and under recorded electrode motion and mains; one of them also at a fifth."""
    kinds: dict[str, list[Made]] = {}
    hearts = {one.name: Made(at_rate(one.signal, one.rate), one.beats) for one in records("mitdb")}
    kinds |= {f"record {name}": [heart] for name, heart in hearts.items()}
    kinds["record 100 at a fifth"] = [Made(0.2 * hearts["100"].signal, hearts["100"].beats)]
    kinds |= {
        f"record {one.name}": [Made(at_rate(one.signal, one.rate), one.beats)] for one in records("nstdb")
    }
    noise = [part for part in electrode_motion() if len(part) == 120 * RATE]
    for name in ("100", "101", "112", "228"):
        heart, size = hearts[name].signal[: int(120 * RATE)], int(LENGTH_S * RATE)
        beats = hearts[name].beats
        for share, word in ((0.5, "half"), (1.0, "full")):
            kinds[f"{name} under motion, {word} size"] = [
                Made(measured(heart + share * part), beats[beats < 120]) for part in noise
            ]
        long = hearts[name].signal[:size]
        kinds[f"{name} with mains of 0.5 mV"] = [
            Made(measured(long + mains(0.5, hertz)), beats[beats < LENGTH_S])
            for hertz in (49.93, 50.0, 60.04)
        ]
    return kinds
