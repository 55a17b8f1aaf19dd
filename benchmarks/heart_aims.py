"""Figures of ``heart.py`` and ``heart_intervals.py``, each beside its aim and whether it is met.

Run after them: ``.venv/bin/python benchmarks/heart_aims.py``. It reads ``heart.json`` and
``heart_intervals.json``, and measures nothing. The aims are this project's own."""

from __future__ import annotations

import json
import statistics
from collections.abc import Callable
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent
SINUS = ("100", "101", "112", "117")
"""Records in sinus rhythm nearly throughout, by their labels."""
Row = tuple[str, Callable[[dict[str, Any]], float], float]
"""Words, the figure from all figures, and the most that is aimed at."""


def off(figures: dict[str, Any], kinds: str) -> int:
    """Epochs more than 5 bpm off, of the signals whose name holds ``kinds``."""
    return sum(one["off"] for name, one in figures["absent"].items() if kinds in name)


def wrong(figures: dict[str, Any], who: str) -> int:
    """Missed and false beats of the ten records within 150 ms."""
    return sum(sum(one[1:]) for one in figures["detector"][who]["150 ms"]["counts"].values())


def excluded(figures: dict[str, Any]) -> float:
    """Share of normal intervals that the rule excludes in sinus rhythm, in %, of the worst record."""
    of = figures["intervals"]["nodeday"]
    return max(100 * of[name]["excluded"] / of[name]["normal"] for name in SINUS)


def bias(figures: dict[str, Any]) -> float:
    """Median bias of RMSSD over the records in sinus rhythm, in %."""
    of = figures["intervals"]["nodeday"]
    return abs(statistics.median(of[name]["all"]["rmssd"] for name in SINUS))


def without(figures: dict[str, Any]) -> dict[str, int]:
    """Epochs with a number, by kind of signal without a heart."""
    return {name: one["numbers"] for name, one in figures["absent"].items() if "numbers" in one}


ROWS: list[Row] = [
    ("minutes of heart rate more than 5 bpm off", lambda f: minutes(f, "over_5"), 0),
    ("minutes of heart rate more than 10 bpm off", lambda f: minutes(f, "over_10"), 0),
    ("normal intervals excluded in sinus rhythm, worst record (%)", excluded, 0.7),
    ("bias of RMSSD in sinus rhythm, median (%)", bias, 0.5),
    ("epochs more than 5 bpm off under electrode motion", lambda f: off(f, "under motion"), 0),
    ("epochs more than 5 bpm off with mains of 0.5 mV", lambda f: off(f, "mains"), 0),
    ("beats of 217 more than 50 ms from their label, 250 Hz", lambda f: placed(f, "250"), 30),
    ("beats of 217 more than 50 ms from their label, 360 Hz", lambda f: placed(f, "360"), 30),
    ("missed and false beats of ten records", lambda f: wrong(f, "nodeday"), 32),
    ("bpm off in steady parts of a ramp, worst", lambda f: f["ramp"]["worst_bpm"], 0.5),
]


def minutes(figures: dict[str, Any], key: str) -> int:
    return sum(one[key] for one in figures["intervals"]["minutes"].values())


def placed(figures: dict[str, Any], rate: str) -> int:
    return int(figures["placement"][f"nodeday {rate}"]["217"][0])


def main() -> None:
    figures = json.loads((FOLDER / "heart.json").read_text())
    figures["intervals"] = json.loads((FOLDER / "heart_intervals.json").read_text())
    rows = [(what, read(figures), aim) for what, read, aim in ROWS]
    rows += [(f"epochs with a number: {name}", count, 0) for name, count in without(figures).items()]
    print(f"{'what':<62}{'figure':>9}{'aim':>9}")
    for what, figure, aim in rows:
        print(f"{what:<62}{figure:>9.3g}{f'<= {aim:g}':>9}{'' if figure <= aim else '  not met'}")
    print(f"missed and false beats of XQRS in the same run: {wrong(figures, 'wfdb xqrs')}")


if __name__ == "__main__":
    main()
