"""How often the error bars hold the truth, and what they cost. Part of ``heart.py``.

Judged on records of the MIT-BIH database, from their ECG on, and on simulated beats whose truth is known
and to which nothing was fitted; losses throughout, or in ten minutes of each half hour. A bar that is to
hold 95 % should hold 90 to 98 %."""

from __future__ import annotations

import time
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
from records import (
    FRAME_S,
    GRID_HZ,
    LOSSES,
    SECOND,
    Record,
    analysed,
    analysed_beats,
    at_samples,
    losing,
    records,
)

from nodeday.config.models import HeartSettings
from nodeday.stages.features.heart.error_bars import REPLAYED
from nodeday.stages.features.stream import FeatureValues

BARRED = {
    "heart_rate_bpm": "rate",
    "rmssd_ms": "RMSSD",
    "pnn50_pct": "pNN50",
    "sd1_ms": "SD1",
    "sdnn_ms": "SDNN",
    "sd2_ms": "SD2",
    "vlf_ms2": "VLF",
    "lf_ms2": "LF",
    "hf_ms2": "HF",
}
SEEDS, HEARTS, LENGTH_S = 8, 32, 3600
"""So many, since ten windows of five minutes overlap: 500 bars of SDNN tell about as much as 50."""
LEAST_BARS = 200
"""Fewer tell little, and are not shown."""
SETTINGS = HeartSettings(max_lost_spectrum=0.3)
"""Spectra at more loss than is usual, so that there are some to judge."""
Features = dict[str, FeatureValues]


def bars() -> dict[str, Any]:
    """Percent of the values whose bar holds the truth, by source and loss, and what the bars of a day
    cost."""
    figures: dict[str, Any] = {}
    print(f"{'% of values that their bar holds':<48}" + "".join(f"{name:>7}" for name in BARRED.values()))
    for partly in (False, True):
        for source, cases in (("MIT-BIH", _records), ("simulated", _hearts)):
            for share, burst in LOSSES:
                key = f"{source}, {100 * share:g} % in bursts of {burst}" + ", for ten minutes" * partly
                row = figures[key] = _held(list(cases(share, burst, partly)))
                print(
                    f"{key:<48}"
                    + "".join(
                        f"{row[name]['held']:>7.1f}" if row[name]["bars"] >= LEAST_BARS else f"{'-':>7}"
                        for name in BARRED
                    )
                )
    figures["seconds of a day"] = _cost()
    return figures


def _losing(seconds: float, share: float, burst: float, partly: bool, *about: Any) -> Any:
    """Frames that are lost, of the whole recording or of the middle ten minutes of each half hour."""
    frames = losing(seconds, share, burst, *about)
    return frames & (np.abs(np.arange(len(frames)) * FRAME_S % 1800 - 900) < 300) if partly else frames


def _records(share: float, burst: float, partly: bool) -> Iterator[tuple[Features, Features]]:
    """Features of the ten records with nothing lost, and with losses."""
    for one, true in _whole_records():
        n, rate = len(one.signal), one.rate
        for seed in range(SEEDS):
            frames = _losing(n / rate, share, burst, partly, one.name, seed)
            yield true, analysed(one.signal, rate, at_samples(frames, n, rate), 30, SETTINGS)


@cache
def _whole_records() -> list[tuple[Record, Features]]:
    return [
        (one, analysed(one.signal, one.rate, np.zeros(len(one.signal), bool), 30, SETTINGS))
        for one in records("mitdb")
    ]


def _hearts(share: float, burst: float, partly: bool) -> Iterator[tuple[Features, Features]]:
    """The same of simulated beats."""
    for seed, (beats, true) in enumerate(_whole_hearts()):
        lost = at_samples(_losing(LENGTH_S, share, burst, partly, seed), round(LENGTH_S * GRID_HZ), GRID_HZ)
        yield true, analysed_beats(beats, LENGTH_S, lost, 30, SETTINGS)


@cache
def _whole_hearts() -> list[tuple[Any, Features]]:
    nothing = np.zeros(round(LENGTH_S * GRID_HZ), bool)
    hearts = [heart(seed, LENGTH_S) for seed in range(HEARTS)]
    return [(beats, analysed_beats(beats, LENGTH_S, nothing, 30, SETTINGS)) for beats in hearts]


def _held(cases: list[tuple[Features, Features]]) -> dict[str, Any]:
    """For each value: percent of its bars that hold the truth, of how many, and of those that have a width;
    percent on stretches most of which are complete; percent of values without a bar; the median width."""
    table: dict[str, Any] = {}
    for name in BARRED:
        columns = [(*got[name].bars, got[name].value, true[name].value) for true, got in cases]  # type: ignore[misc]
        low, high, _, how, value, truth = (np.concatenate(each) for each in zip(*columns, strict=True))
        lost = np.isfinite(value) & np.isfinite(truth) & (how > 0)
        barred = lost & np.isfinite(low)
        wide = barred & (high > low + 1e-9)
        held = (truth >= low - 1e-9) & (truth <= high + 1e-9)
        table[name] = {
            "held": _percent(held[barred]),
            "bars": int(barred.sum()),
            "held_of_wide": _percent(held[wide]),
            "on_complete": _percent(how[barred] == REPLAYED),
            "without": _percent(~barred[lost]),
            "width": float(np.median((high - low)[wide])) if wide.any() else None,
        }
    return table


def _percent(of: Any) -> float | None:
    return 100 * float(np.mean(of)) if len(of) else None


def heart(seed: int, seconds: float) -> Any:
    """Beats (b,) in ns of a simulated heart: a slow part of 1/f, one at 0.1 Hz and one with breathing,
    whose sizes sway on their own, 2 ms of timing, and a premature beat in 300; rates and sizes differ from
    seed to seed."""
    rng, fs = np.random.default_rng(seed), 4.0
    n = int(seconds * fs) + 4096
    hz = np.fft.rfftfreq(n, 1 / fs)

    def noise(density: Any) -> Any:
        wave = np.fft.irfft(np.sqrt(density) * np.exp(2j * np.pi * rng.random(len(hz))), n)
        return wave / wave.std()

    def band(centre: float) -> Any:
        sway = np.exp(0.4 * noise(np.exp(-((hz / 0.003) ** 2))))
        return sway * noise(np.exp(-0.5 * ((hz - centre) / 0.02) ** 2))

    slow = noise(np.where((hz > 1 / 3000) & (hz < 0.06), 1 / np.maximum(hz, 1 / 3000), 0))
    mean = 60_000 / rng.uniform(50, 100)
    sizes = mean * 10 ** rng.uniform(-2, -1.2) * rng.uniform((0.5, 0.3, 0.2), (2.0, 1.0, 1.0))
    period = np.maximum(mean + sizes @ [slow, band(0.1), band(rng.uniform(0.18, 0.32))], 350)
    elapsed = np.cumsum(1000 / period) / fs
    beats = np.interp(np.arange(1, elapsed[int(seconds * fs)]), elapsed, np.arange(n) / fs)
    early = (rng.random(len(beats)) < 1 / 300) * rng.uniform(0.1, 0.3, len(beats)) * mean / 1000
    return np.rint(SECOND * (beats + rng.normal(0, 0.002, len(beats)) - early)).astype(np.int64)


def _cost() -> dict[str, float]:
    """Seconds of a core for the features of 15 hours of beats, 5 % lost in bursts of 5, with bars and
    without."""
    length = 54_000
    beats = heart(1, length)
    lost = at_samples(losing(length, 0.05, 5, "day"), round(length * GRID_HZ), GRID_HZ)
    took = {}
    for name, settings in (("values", HeartSettings(error_bars=False)), ("values and bars", HeartSettings())):
        begin = time.process_time()
        analysed_beats(beats, length, lost, 30, settings)
        took[name] = time.process_time() - begin
        print(f"15 hours of beats, {name}: {took[name]:.1f} s of a core")
    return took
