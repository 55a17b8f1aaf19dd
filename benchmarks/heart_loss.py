"""What lost frames do to RMSSD of five minutes, and to a naive one that takes no account of loss. Part of
``heart.py``."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import numpy as np
from records import LOSSES, analysed, at_samples, losing, r_peaks, records

from nodeday.config.models import HeartSettings
from nodeday.stages.simulate.ecg import synthesise

SINUS = ("100", "101", "112", "117")


def loss() -> dict[str, Any]:
    """Error of RMSSD in percent of the truth, by loss; losses throughout."""
    figures: dict[str, Any] = {}
    everything = list(_rhythms())
    settings = HeartSettings(error_bars=False, max_lost=1.0, min_usable=0.0)
    for share, burst in LOSSES:
        errors, naive = [], []
        for name, signal, rate in everything:
            lost = at_samples(losing(len(signal) / rate, share, burst, name), len(signal), rate)
            true, got = (
                analysed(signal, rate, each, 300, settings)["rmssd_ms"].value for each in (lost & False, lost)
            )
            errors += list(100 * np.abs(got / true - 1))
            naive.append(100 * np.abs(_naive(signal, rate, lost) / np.mean(true) - 1))
        median, most = np.nanmedian(errors), np.nanpercentile(errors, 95)
        figures[f"{100 * share:g} %, bursts of {burst}"] = {
            "median": float(median),
            "p95": float(most),
            "naive": float(np.median(naive)),
            "windows": len(errors),
        }
        print(
            f"{100 * share:>4g} % in bursts of {burst:<3} RMSSD error of {len(errors)} windows: median "
            f"{median:.1f} %, 95th percentile {most:.1f} %; naive +{np.median(naive):.0f} %"
        )
    return figures


def _rhythms() -> Iterator[tuple[str, Any, float]]:
    """Complete recordings: sinus rhythm of the database, and simulated hearts."""
    if "NODEDAY_OPEN_DATA" in os.environ:
        yield from ((one.name, one.signal, one.rate) for one in records("mitdb") if one.name in SINUS)
    for seed, (bpm, spread) in enumerate(((55, 3.0), (65, 4.0), (75, 5.0), (95, 4.0))):
        rng = np.random.default_rng(seed)
        n = 1800 * 500
        heart = synthesise(np.full(n, float(bpm)), np.full(n, spread), 0.0, rng)
        yield f"simulated {bpm}", heart.voltage_mv[::2] + 0.01 * rng.standard_normal(n // 2), 250.0


def _naive(signal: Any, rate: float, lost: Any) -> float:
    """RMSSD of the beats found, as though nothing were lost between them."""
    found = r_peaks(signal, rate, lost)
    rr = 1000 * np.diff((found.sample + found.shift) / rate)
    return float(np.sqrt(np.mean(np.diff(rr) ** 2)))
