"""R peaks, speed, variability under loss, error bars and a heart-rate ramp, beside peers in the same run.

Run: ``NODEDAY_OPEN_DATA=... .venv/bin/python benchmarks/heart.py [detector] [speed] [loss] [ramp]``. Records
are those of the MIT-BIH Arrhythmia and Noise Stress Test databases that the folder holds, channel 0.
Scored after the first five minutes, one to one, each the other's nearest. The peers are the detectors of wfdb
and, where it is installed, sleepecg. Machines are noisy: read the ratios.
"""

from __future__ import annotations

import json
import os
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from nodeday.schemas import codes

from nodeday.features.heart import quality
from nodeday.features.heart.beats import examine
from nodeday.features.heart.coarse import coarse
from nodeday.features.heart.epochs import HeartStream, features_of
from nodeday.features.heart.rpeaks import peaks_in, r_peaks
from nodeday.features.heart.twomeans import second_opinion
from nodeday.features.stream import Feature, Stream
from nodeday.features.windows import Windows, coverage
from nodeday.layouts import Kind
from nodeday.sections import Epochs, Heart, Node
from nodeday.simulate.ecg import synthesise

SECOND, START = 1_000_000_000, 1_784_005_200_000_000_000
BEATS = frozenset("NLRBAaJSVrFejnE/fQ?")
TOLERANCES = (0.15, 0.05, 0.02)
LOSSES = ((0.01, 1), (0.02, 5), (0.05, 5), (0.1, 5), (0.2, 20))
BARRED = ("heart_rate_bpm", "rmssd_ms", "pnn50_pct", "sd1_ms", "sdnn_ms", "sd2_ms", "lf_ms2", "hf_ms2")
FRAME_S = 0.08
Detector = Callable[[Any, float], Any]


class Record:
    """Channel 0 of a WFDB record in mV, its beats, and its stretches of flutter as seconds [from, to)."""

    def __init__(self, path: Path) -> None:
        import wfdb

        self.name = path.name
        read, labels = wfdb.rdrecord(str(path), channels=[0]), wfdb.rdann(str(path), "atr")
        self.signal, self.rate = read.p_signal[:, 0], float(read.fs)
        symbols = np.array(labels.symbol)
        self.beats = labels.sample[np.isin(symbols, list(BEATS))] / self.rate
        marks = [labels.sample[symbols == mark] / self.rate for mark in ("[", "]")]
        self.flutter = list(zip(*marks, strict=False))


def records(folder: str) -> list[Record]:
    paths = sorted((Path(os.environ["NODEDAY_OPEN_DATA"]) / folder).glob("*.hea"))
    return [Record(path.with_suffix("")) for path in paths]


def nodeday(signal: Any, rate: float) -> Any:
    every = np.ones(len(signal), np.bool_)
    found = r_peaks(signal, every, every, rate)
    return (found.sample + found.shift) / rate


def both(signal: Any, rate: float) -> Any:
    """The first detector and the second one."""
    every = np.ones(len(signal), np.bool_)
    shared = coarse(signal, every, every, rate)
    assert shared is not None
    second_opinion(shared, rate)
    return peaks_in(shared, signal, rate).sample / rate


def second(signal: Any, rate: float) -> Any:
    every = np.ones(len(signal), np.bool_)
    shared = coarse(signal, every, every, rate)
    assert shared is not None
    return second_opinion(shared, rate)


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
        there = nearest(labels, found)
        hit = (nearest(found, labels)[there] == np.arange(len(labels))) & (
            np.abs(found[there] - labels) <= tolerance + 1e-9
        )
        real[there[hit]] = True
    return hit, real


def score(record: Record, found: Any, tolerance: float, where: Callable[[Any], Any]) -> tuple[int, int, int]:
    """Hits, misses and false beats among those ``where`` says so."""
    hit, real = pairs(record.beats, found, tolerance)
    mine, theirs = where(record.beats), where(found)
    return int((hit & mine).sum()), int((~hit & mine).sum()), int((~real & theirs).sum())


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
                "counts": counts, "gross": gross, "average": tuple(np.mean(list(each.values()), axis=0)),
            }  # fmt: skip
            if name == "nodeday" and tolerance == TOLERANCES[0]:
                print(f"{'record':>8}{'beats':>7}{'missed':>8}{'false':>7}{'Se %':>9}{'+P %':>9}")
                for key, (hits, missed, false) in counts.items():
                    print(f"{key:>8}{hits + missed:>7}{missed:>8}{false:>7}{each[key][0]:>9.2f}"
                          f"{each[key][1]:>9.2f}")  # fmt: skip
            print(f"{name:<15} at {tolerance * 1000:3.0f} ms: gross {gross[0]:.2f}/{gross[1]:.2f}, average "
                  f"{rows[f'{tolerance * 1000:.0f} ms']['average'][0]:.2f}/"
                  f"{rows[f'{tolerance * 1000:.0f} ms']['average'][1]:.2f}")  # fmt: skip
        everything = [score(one, found[one.name], TOLERANCES[0], later) for one in base]
        with_flutter = percent(tuple(np.sum(everything, axis=0)))  # type: ignore[arg-type]
        print(f"{name:<15} with the flutter of 207 counted against it: {with_flutter[0]:.2f}/"
              f"{with_flutter[1]:.2f}")  # fmt: skip
        for one in noise:
            rows[one.name] = percent(score(one, found[one.name], TOLERANCES[0], noisy))
            print(f"{name:<15} {one.name}, noisy minutes: {rows[one.name][0]:.2f}/{rows[one.name][1]:.2f}")
        figures[name] = rows | {"with flutter": with_flutter}
    return figures


def speed() -> dict[str, float]:
    """Seconds of one core for 24 hours in records of half an hour, the fastest of some runs."""
    base = records("mitdb")
    hours = sum(len(one.signal) / one.rate for one in base) / 3600
    figures: dict[str, float] = {}
    for name, detect in {"nodeday": nodeday, "nodeday, both detectors": both, **peers()}.items():
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


def lossy(samples: int, rate: float, share: float, burst: float, seed: int) -> Any:
    """Where frames of 80 ms are lost by Gilbert's model."""
    rng = np.random.default_rng(seed)
    frames = int(samples / rate / FRAME_S) + 1
    leave = 1 / burst
    enter = leave * share / (1 - share)
    lost, bad, draws = np.zeros(frames, bool), False, rng.random(frames)
    for frame in range(frames):
        bad = draws[frame] >= leave if bad else draws[frame] < enter
        lost[frame] = bad
    return lost[(np.arange(samples) / rate / FRAME_S).astype(int)]


def analysed(signal: Any, rate: float, lost: Any, seconds: int, settings: Heart) -> dict[str, Feature]:
    """Every heart feature of every epoch, through the whole of the room's arithmetic."""
    n = len(signal)
    samples = pd.DataFrame({
        "boot": np.zeros(n, np.int32),
        "utc_ns": START + np.rint(np.arange(n) * SECOND / rate).astype(np.int64),
        "value": np.where(lost, np.nan, signal).astype(np.float32),
        "origin": pd.Categorical(np.where(lost, "missing", "measured"), categories=list(codes.ORIGIN)),
        "quality": pd.Categorical(np.where(lost, "not_measured", "good"), categories=list(codes.QUALITY)),
    })  # fmt: skip
    kind = Kind.model_validate({
        "kind": 1, "stream": "ecg", "rate_hz": rate, "samples": 20, "bits": 12, "order": "big",
        "channels": [{"name": "ecg", "unit": "mV"}],
    })  # fmt: skip
    node = Node(session="*", node="heart", address=1, placement="chest")
    windows = Windows(START, seconds, int(n / rate) // seconds)
    kept = samples.iloc[: int(windows.count * seconds * rate)]
    named = kept.rename(columns={"value": "ecg", "quality": "ecg_quality"})
    stream = Stream(node, kind, named, windows, Epochs(seconds=seconds, min_coverage=0.0))
    ruler = Windows(START, quality.SECONDS, -(-windows.count * seconds // quality.SECONDS))
    beats, measures = examine(kept, rate, ruler)
    assert measures is not None
    none = np.zeros(ruler.count)
    shares = {"coverage": coverage(ruler, stream.utc_ns[stream.received], rate), "flat": none,
              "clipped": none, "lead_off": none}  # fmt: skip
    heart = HeartStream(stream, beats, quality.table(measures, shares, ruler), settings, None)
    return {one.name: one for one in features_of(heart)}


def rhythms() -> list[tuple[str, Any, float]]:
    """Complete recordings: sinus rhythm of the database, and simulated hearts."""
    found = []
    if "NODEDAY_OPEN_DATA" in os.environ:
        found = [(one.name, one.signal, one.rate) for one in records("mitdb")
                 if one.name in ("100", "101", "112", "117")]  # fmt: skip
    for seed, (bpm, spread) in enumerate(((55, 3.0), (65, 4.0), (75, 5.0), (95, 4.0))):
        rng = np.random.default_rng(seed)
        n = 1800 * 500
        heart = synthesise(np.full(n, float(bpm)), np.full(n, spread), 0.0, rng)
        found.append((f"simulated {bpm}", heart.voltage_mv[::2] + 0.01 * rng.standard_normal(n // 2), 250.0))
    return found


def loss() -> dict[str, Any]:
    """Error of RMSSD in five minutes; and how often the error bars hold the truth, by loss. The middle ten
    minutes of each half hour lose frames; the rest is complete."""
    figures: dict[str, Any] = {}
    open_settings = Heart(max_lost=1.0, max_lost_spectrum=0.3, min_usable=0.0)
    everything = rhythms()
    truth = {}
    for name, signal, rate in everything:
        whole = np.zeros(len(signal), bool)
        truth[name] = [analysed(signal, rate, whole, each, open_settings) for each in (30, 300)]
    for share, burst in LOSSES:
        errors, naive = [], []
        held: dict[str, list[bool]] = {feature: [] for feature in BARRED}
        without = {feature: 0 for feature in BARRED}
        for seed, (name, signal, rate) in enumerate(everything):
            at = np.arange(len(signal)) / rate
            lost = lossy(len(signal), rate, share, burst, 7 * seed + 1) & (at >= 600) & (at < 1200)
            short, long = (analysed(signal, rate, lost, each, open_settings) for each in (30, 300))
            true = truth[name][1]["rmssd_ms"].value[2:4]
            errors += list(100 * np.abs(long["rmssd_ms"].value[2:4] / true - 1))
            naive += list(100 * np.abs(plain(signal, rate, lost, 600, 1200) / np.mean(true) - 1))
            for feature in BARRED:
                got, want = (short[feature], truth[name][0][feature].value)
                low, high, _, how = got.bars  # type: ignore[misc]
                barred = np.isfinite(low) & np.isfinite(want) & (how == 1)
                within = (want >= low - 1e-9) & (want <= high + 1e-9)
                held[feature] += list(within[barred])
                without[feature] += int((how == 2).sum())
        key = f"{100 * share:g} %, bursts of {burst}"
        figures[key] = {
            "rmssd_error_pct": {"median": float(np.nanmedian(errors)), "p95":
            float(np.nanpercentile(errors, 95))}, "naive_error_pct": float(np.nanmedian(naive)),
            "held": {feature: (float(np.mean(hits)), len(hits)) for feature, hits in held.items() if hits},
            "no_complete_stretch": without,
        }  # fmt: skip
        one = figures[key]
        print(f"{key:<20} RMSSD error: median {one['rmssd_error_pct']['median']:.1f} %, 95th percentile "
              f"{one['rmssd_error_pct']['p95']:.1f} %; naive +{one['naive_error_pct']:.0f} %")  # fmt: skip
        shares = [f"{feature} {100 * hit:.1f} % of {n}" for feature, (hit, n) in one["held"].items()]
        print("    intervals that hold the truth: " + ", ".join(shares))
    return figures


def plain(signal: Any, rate: float, lost: Any, begin: float, end: float) -> Any:
    """RMSSD (1,) of the beats found, as though nothing were lost between them."""
    present = ~lost
    found = r_peaks(np.where(present, signal, 0.0), present, present, rate)
    at = (found.sample + found.shift) / rate
    rr = 1000 * np.diff(at[(at >= begin) & (at < end)])
    return np.array([np.sqrt(np.mean(np.diff(rr) ** 2))])


def ramp() -> dict[str, float]:
    """Largest error of an epoch's heart rate in the steady parts of a simulated ramp from 80 to 180 bpm."""
    rate, steady, change = 250.0, 120, 60
    levels = np.arange(80, 181, 10)
    bpm = np.concatenate([
        np.concatenate([np.full(steady, level), np.linspace(level, level + 10, change, endpoint=False)])
        for level in levels
    ])  # fmt: skip
    fine = np.interp(np.arange(len(bpm) * 500) / 500, np.arange(len(bpm)), bpm)
    heart = synthesise(fine, np.zeros(len(fine)), 0.0, np.random.default_rng(1))
    signal = heart.voltage_mv[::2] + 0.01 * np.random.default_rng(2).standard_normal(len(fine) // 2)
    found = analysed(signal, rate, np.zeros(len(signal), bool), 30, Heart())["heart_rate_bpm"].value
    start = 30 * np.arange(len(found))
    within = start % (steady + change) + 30 <= steady
    error = np.abs(found - levels[np.minimum(start // (steady + change), len(levels) - 1)])[within]
    print(f"ramp 80 to 180 bpm: {within.sum()} steady epochs, {np.isfinite(error).sum()} with a value, worst "
          f"error {np.nanmax(error):.3f} bpm")  # fmt: skip
    return {"epochs": int(within.sum()), "worst_bpm": float(np.nanmax(error))}


def main() -> None:
    warnings.simplefilter("ignore")  # of the readers of the records
    parts = {"detector": detector, "speed": speed, "loss": loss, "ramp": ramp}
    wanted = sys.argv[1:] or list(parts)
    target = Path("benchmarks/heart.json")
    figures = json.loads(target.read_text()) if target.exists() else {}
    for part in wanted:
        print(f"--- {part}")
        figures[part] = parts[part]()
    target.write_text(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
