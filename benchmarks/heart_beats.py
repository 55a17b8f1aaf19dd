"""R peaks against the experts' labels, and their speed, beside peers in the same run. Part of ``heart.py``.

Scored after the first five minutes, one to one, each the other's nearest.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from made_hearts import HEARTS, RATES, MadeHeart, made
from records import Record, r_peaks, records
from scipy.signal import resample_poly

from nodeday.stages.features.heart.coarse import coarse_signal
from nodeday.stages.features.heart.measures import second_detector

TOLERANCES = (0.15, 0.05, 0.02)
Detector = Callable[[Any, float], Any]


def nodeday(signal: Any, rate: float) -> Any:
    found = r_peaks(signal, rate)
    return (found.sample + found.shift) / rate


def second(signal: Any, rate: float) -> Any:
    every = np.ones(len(signal), np.bool_)
    shared = coarse_signal(signal, every, every, rate)
    assert shared is not None
    return second_detector(shared, rate)


def peers() -> dict[str, Detector]:
    found: dict[str, Detector] = {}
    try:
        import sleepecg

        found["sleepecg"] = lambda signal, rate: sleepecg.detect_heartbeats(signal, rate) / rate
    except ImportError:
        print("sleepecg is not installed: pip install sleepecg")
    import wfdb.processing

    found["wfdb xqrs"] = lambda signal, rate: (
        np.asarray(wfdb.processing.xqrs_detect(signal, rate, verbose=False)) / rate
    )
    return found


def pairs(labels: Any, found: Any, tolerance: float) -> tuple[Any, Any]:
    """Which labels and which found beats are each other's nearest within ``tolerance`` seconds."""

    def nearest(of: Any, among: Any) -> Any:
        right = np.clip(np.searchsorted(among, of), 1, len(among) - 1)
        return np.where(of - among[right - 1] <= among[right] - of, right - 1, right)

    hit, real = np.zeros(len(labels), bool), np.zeros(len(found), bool)
    if len(labels) > 1 and len(found) > 1:
        partner = nearest(labels, found)
        hit = (nearest(found, labels)[partner] == np.arange(len(labels))) & (
            np.abs(found[partner] - labels) <= tolerance + 1e-9
        )
        real[partner[hit]] = True
    return hit, real


def score(record: Record, found: Any, tolerance: float, where: Callable[[Any], Any]) -> tuple[int, int, int]:
    """Hits, misses and false beats at the instants that ``where`` selects."""
    hit, real = pairs(record.beats, found, tolerance)
    of_labels, of_found = where(record.beats), where(found)
    return int((hit & of_labels).sum()), int((~hit & of_labels).sum()), int((~real & of_found).sum())


def later(at: Any) -> Any:
    return at >= 300


def apart_from(record: Record) -> Callable[[Any], Any]:
    def where(at: Any) -> Any:
        inside = [(at >= begin) & (at <= end) for begin, end in record.flutter]
        return later(at) & ~np.logical_or.reduce([np.zeros(len(at), bool), *inside])

    return where


def noisy(at: Any) -> Any:
    """The noise of the Noise Stress Test records: two minutes with, two without, from the fifth on."""
    return later(at) & ((at - 300) // 120 % 2 == 0)


def percent(counts: tuple[int, int, int]) -> tuple[float, float]:
    hits, missed, false = counts
    return 100 * hits / max(hits + missed, 1), 100 * hits / max(hits + false, 1)


def detector() -> dict[str, Any]:
    """Sensitivity and positive predictivity, per record, gross and average."""
    figures: dict[str, Any] = {}
    base, noise = records("mitdb"), records("nstdb")
    for name, detect in {"nodeday": nodeday, "nodeday second": second, **peers()}.items():
        found = {record.name: detect(record.signal, record.rate) for record in [*base, *noise]}
        rows: dict[str, Any] = {}
        for tolerance in TOLERANCES:
            counts = {one.name: score(one, found[one.name], tolerance, apart_from(one)) for one in base}
            gross = percent(tuple(np.sum(list(counts.values()), axis=0)))  # type: ignore[arg-type]
            each = {key: percent(value) for key, value in counts.items()}
            rows[f"{tolerance * 1000:.0f} ms"] = {
                "counts": counts,
                "gross": gross,
                "average": tuple(np.mean(list(each.values()), axis=0)),
            }
            if name == "nodeday" and tolerance == TOLERANCES[0]:
                print(f"{'record':>8}{'beats':>7}{'missed':>8}{'false':>7}{'Se %':>9}{'+P %':>9}")
                for key, (hits, missed, false) in counts.items():
                    print(
                        f"{key:>8}{hits + missed:>7}{missed:>8}{false:>7}{each[key][0]:>9.2f}"
                        f"{each[key][1]:>9.2f}"
                    )
            print(
                f"{name:<15} at {tolerance * 1000:3.0f} ms: gross {gross[0]:.2f}/{gross[1]:.2f}, average "
                f"{rows[f'{tolerance * 1000:.0f} ms']['average'][0]:.2f}/"
                f"{rows[f'{tolerance * 1000:.0f} ms']['average'][1]:.2f}"
            )
        everything = [score(one, found[one.name], TOLERANCES[0], later) for one in base]
        with_flutter = percent(tuple(np.sum(everything, axis=0)))  # type: ignore[arg-type]
        print(
            f"{name:<15} with the flutter of 207 counted against it: {with_flutter[0]:.2f}/"
            f"{with_flutter[1]:.2f}"
        )
        for one in noise:
            rows[one.name] = percent(score(one, found[one.name], TOLERANCES[0], noisy))
            print(f"{name:<15} {one.name}, noisy minutes: {rows[one.name][0]:.2f}/{rows[one.name][1]:.2f}")
        figures[name] = rows | {"with flutter": with_flutter}
    return figures


def resampled(record: Record, rate: float) -> Any:
    """The signal at another rate; 250 Hz is what a node may send."""
    if rate == record.rate:
        return record.signal
    return resample_poly(record.signal, round(rate), round(record.rate))


def placement() -> dict[str, Any]:
    """Beats that are found, but more than 50 ms off their label; and off the usual place of their kind.

    Experts label a paced beat at its spike, where one is seen (104), and nodeday times its QRS: the second
    figure counts from the median of each kind of label.
    """
    figures: dict[str, Any] = {}
    for name, detect in {"nodeday": nodeday, **peers()}.items():
        for rate in (250.0, 360.0):
            rows = {}
            for one in records("mitdb"):
                at = detect(resampled(one, rate), rate)
                hit, _ = pairs(one.beats, at, TOLERANCES[0])
                off = nearest_of(one.beats, at)[hit]
                usual = medians(off, one.kinds[hit])
                rows[one.name] = int((np.abs(off) > 0.05).sum()), int((np.abs(off - usual) > 0.05).sum())
            figures[f"{name} {rate:.0f}"] = rows
            print(f"{name:<12}{rate:.0f} Hz  " + "  ".join(f"{key} {a}/{b}" for key, (a, b) in rows.items()))
    return figures


def nearest_of(of: Any, among: Any) -> Any:
    """How far the nearest of ``among`` is from each of ``of``."""
    right = np.clip(np.searchsorted(among, of), 1, len(among) - 1)
    left, right = among[right - 1] - of, among[right] - of
    return np.where(-left <= right, left, right)


def medians(values: Any, kinds: Any) -> Any:
    """The median of the values of each one's kind."""
    usual = np.zeros(len(values))
    for kind in np.unique(kinds):
        usual[kinds == kind] = np.median(values[kinds == kind])
    return usual


def made_rows() -> dict[str, Any]:
    """Missed and false beats of made hearts at 250, 360 and 500 Hz, and how far their instants scatter.

    The scatter is that of the error about the median of the beat's kind, in ms.
    """
    figures: dict[str, Any] = {}
    detectors = {"nodeday": nodeday, "second": second, **peers()}
    print(f"{'missed+false, scatter in ms':<28}" + "".join(f"{name:>38}" for name in detectors))
    for name in HEARTS:
        hearts = [made(name, rate) for rate in RATES]
        row = {}
        for known, detect in detectors.items():
            row[known] = [made_score(heart, detect(heart.signal, heart.rate_hz)) for heart in hearts]
        figures[name] = row
        cells = ("".join(f"{a:>4}+{b:<3}{c:4.1f} " for a, b, c in scores) for scores in row.values())
        print(f"{name:<28}" + "".join(f"{cell:>38}" for cell in cells))
    return figures


def made_score(heart: MadeHeart, found: Any) -> tuple[int, int, float]:
    """Missed and false beats at 150 ms, and the scatter of the instants in ms."""
    hit, real = pairs(heart.beats_s, found, TOLERANCES[0])
    scatter = 0.0
    if hit.any():
        off = nearest_of(heart.beats_s, found)[hit]
        scatter = float(1000 * (off - medians(off, heart.kind[hit])).std())
    return int((~hit).sum()), int((~real).sum()), scatter


def speed() -> dict[str, float]:
    """Seconds of one core for 24 hours in records of half an hour, the fastest of some runs."""
    base = records("mitdb")
    hours = sum(len(one.signal) / one.rate for one in base) / 3600
    figures: dict[str, float] = {}
    for name, detect in {"nodeday": nodeday, **peers()}.items():
        if name == "wfdb xqrs":  # a minute and more a day: one record tells
            begin = time.process_time()
            detect(base[0].signal, base[0].rate)
            figures[name] = (time.process_time() - begin) * 24 / (len(base[0].signal) / base[0].rate / 3600)
        else:
            took = []
            for _ in range(3):
                begin = time.process_time()
                for one in base:
                    detect(one.signal, one.rate)
                took.append(time.process_time() - begin)
            figures[name] = min(took) * 24 / hours
        print(f"{name:<26}{figures[name]:>8.2f} s a day{figures[name] / figures['nodeday']:>8.2f} x nodeday")
    return figures
