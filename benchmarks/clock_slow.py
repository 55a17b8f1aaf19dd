"""How much of the truth the band of a clock holds: slow and normal nodes, swings of temperature, delays.

Run: ``.venv/bin/python benchmarks/clock_slow.py [SEEDS]`` (8). Stamps come from ``tests/worn_crystals.py``,
which shares no code with the package. A band is to hold 93 to 99 % of true times; one of many times the error
is wide for nothing. Shares are of all frames sent: the mean over seeds, and the least of them.
"""

from __future__ import annotations

import sys
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from test_clock_slow import held

WEATHERS = [("daily", kelvin) for kelvin in (0.0, 1.0, 2.5, 5.0)] + [
    ("wandering", kelvin) for kelvin in (1.0, 2.5, 5.0)
]
DELAYS = ("short", "long", "bursty", "whole seconds")


def main() -> None:
    """Print a line for each case."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 8
    print("days  every  weather    kelvin  delay           held   least   band ms   rms ms")
    for (days, every_s), (weather, kelvin), delay in product(
        ((1, 60.0), (21, 60.0), (2, 1.0)), WEATHERS, DELAYS
    ):
        rows = np.array([held(seed, days, every_s, kelvin, weather, delay) for seed in range(seeds)])
        share, band, _ = rows.mean(axis=0)
        rms = float(np.sqrt(np.mean(rows[:, 2] ** 2)))
        print(
            f"{days:>4} {every_s:>4.0f} s  {weather:<9} {kelvin:>6} K  {delay:<13} {share:>6.1%}  "
            f"{rows[:, 0].min():>6.1%}  {band:>8.3f} {rms:>8.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
