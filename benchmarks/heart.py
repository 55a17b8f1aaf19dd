"""R peaks, speed, variability under loss, error bars and a heart-rate ramp, beside peers in the same run.

Run: ``NODEDAY_OPEN_DATA=... .venv/bin/python benchmarks/heart.py [PART] ...``.
PART is detector, placement, made, speed, loss, bars, ramp or absent. The peers are the detectors of wfdb
and, where it is installed, sleepecg. Machines are noisy: read the ratios."""

from __future__ import annotations

import json
import sys
import warnings
from pathlib import Path

import numpy as np
from heart_absent import absent
from heart_bars import bars
from heart_beats import detector, made_rows, placement, speed
from heart_loss import loss
from records import analysed

from nodeday.config.models import HeartSettings
from nodeday.stages.simulate.ecg import synthesise


def ramp() -> dict[str, float]:
    """Largest error of an epoch's heart rate in the steady parts of a simulated ramp from 80 to 180 bpm."""
    rate, steady, change = 250.0, 120, 60
    levels = np.arange(80, 181, 10)
    bpm = np.concatenate(
        [
            np.concatenate([np.full(steady, level), np.linspace(level, level + 10, change, endpoint=False)])
            for level in levels
        ]
    )
    fine = np.interp(np.arange(len(bpm) * 500) / 500, np.arange(len(bpm)), bpm)
    heart = synthesise(fine, np.zeros(len(fine)), 0.0, np.random.default_rng(1))
    signal = heart.voltage_mv[::2] + 0.01 * np.random.default_rng(2).standard_normal(len(fine) // 2)
    found = analysed(signal, rate, np.zeros(len(signal), bool), 30, HeartSettings())["heart_rate_bpm"].value
    start = 30 * np.arange(len(found))
    within = start % (steady + change) + 30 <= steady
    error = np.abs(found - levels[np.minimum(start // (steady + change), len(levels) - 1)])[within]
    print(
        f"ramp 80 to 180 bpm: {within.sum()} steady epochs, {np.isfinite(error).sum()} with a value, worst "
        f"error {np.nanmax(error):.3f} bpm"
    )
    return {"epochs": int(within.sum()), "worst_bpm": float(np.nanmax(error))}


def main() -> None:
    warnings.simplefilter("ignore")  # of the readers of the records
    parts = {
        "detector": detector,
        "placement": placement,
        "made": made_rows,
        "speed": speed,
        "loss": loss,
        "bars": bars,
        "ramp": ramp,
        "absent": absent,
    }
    wanted = sys.argv[1:] or list(parts)
    target = Path("benchmarks/heart.json")
    figures = json.loads(target.read_text()) if target.exists() else {}
    for part in wanted:
        print(f"--- {part}")
        figures[part] = parts[part]()
    target.write_text(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
