"""Signals with and without a heart: the use of each ten seconds, and numbers in epochs of 30 s.

Run: ``NODEDAY_OPEN_DATA=... .venv/bin/python benchmarks/heart_absent.py``; part of ``heart.py``.

Without a heart every number is a wrong one. With a heart two errors count: windows whose beats are all right
but that are called ``none``, and epochs whose heart rate is more than 5 bpm off."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
from absent_signals import RATE, Made, with_heart, without_heart
from records import analysed_with_signal

from nodeday.config.models import HeartSettings
from nodeday.stages.features.heart import quality

SETTINGS = HeartSettings(error_bars=False)
NUMBERS = ("heart_rate_bpm", "beats", "rmssd_ms", "sdnn_ms", "hf_ms2", "respiration_rate")
EPOCH_S = 30


def true_rate(beats: Any, epochs: int) -> Any:
    """Heart rate of the intervals that end in each epoch, in bpm."""
    ends, rr = beats[1:], np.diff(beats)
    which = (ends // EPOCH_S).astype(int)
    held = which < epochs
    count, total = (np.bincount(which[held], w[held], epochs) for w in (np.ones(len(rr)), rr))
    return 60 * count / np.maximum(total, 1e-9)


def wrong_windows(made: Made, beats: Any, windows: int) -> Any:
    """In which windows a beat of the detector has no true one within 150 ms, or the other way round."""
    wrong = np.zeros(windows, bool)
    for some, others in ((beats, made.beats), (made.beats, beats)):
        near = np.searchsorted(others, some)
        off = np.minimum(
            np.abs(some - others[np.clip(near, 0, len(others) - 1)]),
            np.abs(some - others[np.clip(near - 1, 0, len(others) - 1)]),
        )
        at = (some[off > 0.15] // quality.SECONDS).astype(int)
        wrong[at[at < windows]] = True
    return wrong


def absent() -> dict[str, Any]:
    """Print a row for each kind of signal, and return the figures."""
    warnings.simplefilter("ignore")
    figures: dict[str, Any] = {}
    print(f"{'without a heart':<28}{'windows':>8}{'rate':>6}{'var':>6}{'epochs':>8}{'with a number':>15}")
    for name, kind in without_heart().items():
        use = np.zeros(3, int)
        epochs = numbers = 0
        for made in kind:
            features, analysis = analysed_with_signal(made.signal, RATE, EPOCH_S, SETTINGS)
            use += np.bincount(analysis.signal["use"], minlength=3)
            some = np.any([np.isfinite(features[number].value) for number in NUMBERS], axis=0)
            epochs, numbers = epochs + len(some), numbers + int(some.sum())
        figures[name] = {"use": use.tolist(), "epochs": epochs, "numbers": numbers}
        print(
            f"{name:<28}{use.sum():>8}{use[quality.RATE]:>6}{use[quality.VARIABILITY]:>6}{epochs:>8}{numbers:>15}"
        )
    print(
        f"{'with a heart':<28}{'windows':>8}{'rate':>6}{'var':>6}{'right, none':>12}"
        f"{'epochs':>8}{'null':>6}{'> 5 bpm off':>12}"
    )
    for name, kind in with_heart().items():
        figures[name] = _with_heart(name, kind)
    return figures


def _with_heart(name: str, kind: list[Made]) -> dict[str, Any]:
    use = np.zeros(3, int)
    lost = right = epochs = null = off = 0
    for made in kind:
        features, analysis = analysed_with_signal(made.signal, RATE, EPOCH_S, SETTINGS)
        codes = analysis.signal["use"].to_numpy()
        at = (analysis.beats.utc_ns - analysis.signal["start_ns"].iloc[0]) / 1e9
        good = ~wrong_windows(made, at, len(codes))
        use += np.bincount(codes, minlength=3)
        lost, right = lost + int((good & (codes == quality.UNUSABLE)).sum()), right + int(good.sum())
        rate = features["heart_rate_bpm"].value
        error = np.abs(rate - true_rate(made.beats, len(rate)))
        epochs, null, off = epochs + len(rate), null + int(np.isnan(rate).sum()), off + int((error > 5).sum())
    print(
        f"{name:<28}{use.sum():>8}{use[quality.RATE]:>6}{use[quality.VARIABILITY]:>6}{lost:>5} of {right:<4}"
        f"{epochs:>7}{null:>6}{off:>12}"
    )
    return {"use": use.tolist(), "right": right, "lost": lost, "epochs": epochs, "null": null, "off": off}


if __name__ == "__main__":
    absent()
