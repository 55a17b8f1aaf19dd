"""How well gaps in an ECG are filled: every method on the same gaps, in one table.

    NODEDAY_OPEN_DATA=DIR .venv/bin/python benchmarks/repair.py [--records N] [--lengths 20,40,...]
        [--methods pattern,...] [--seed 0] [--lead 0]

Ten records of the MIT-BIH Arrhythmia Database and record 118 of its Noise Stress Test Database at 24 and
6 dB (first lead, 360 Hz brought to 250 Hz), with gaps of 20 to 248 ms: `isolated`, 2 to 4 s apart, and
`burst`, three of the same length within about a second. Every other place is chosen so that a labelled beat
lies in the gap, the rest anywhere. The peers are written with scipy (`repair_fills.py`): straight line,
PCHIP, cubic spline, and the autoregressive interpolation of Janssen, Veldhuis and Vries 1986 (from memory:
order min(3 L + 2, 30), three rounds, 150 samples on each side). `pattern` is the stage's policy of that name
as a study gets it, its short cubics and its refusals included. The constants of its vote were chosen
on the records ``CHOSEN_ON``, and the last lines of the table keep those and the others apart; those of
its search and blend on the gaps of seed 0 of all records. None was chosen on another seed or on the second
lead (`--lead 1`; of 101 and 104 the detector finds little there that holds still).

Three rows are no methods but limits, since they know the answer: `oracle` takes, of the stretches that
`pattern` chooses among, the one most like what was lost (what a perfect choice would find); `near` is the
lost signal with 20 microvolts of noise between 1 and 30 Hz (how finely the measure tells); `true` is the
lost signal itself (what the detector invents without any fill).

R peaks come from one detector (below) run on the filled record as a whole; the truth is what the same
detector finds in the unbroken record within 150 ms of an expert's label. Of the R peaks inside gaps:

    found    share within 20 ms of the truth; a refused gap counts as not found
    SD       of the times of those found
    error    root mean square inside 50 ms of an R, in gaps that were filled by pattern
    invented peaks inside fills more than 150 ms from every true one, as a share of all peaks inside fills
    new      those of them that are also more than 150 ms from every peak, labelled or not, which the detector
             finds in the unbroken record
"""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

import numpy as np
import wfdb
from repair_fills import METHODS, RATE, band, straight
from scipy.signal import resample_poly

from nodeday.core.arrays import runs

RECORDS = [
    *(f"mitdb/{n}" for n in (100, 101, 104, 112, 114, 117, 201, 207, 217, 228)),
    "nstdb/118e24",
    "nstdb/118e06",
]
CHOSEN_ON = ("mitdb/100", "mitdb/104", "mitdb/114", "mitdb/201", "mitdb/217")
LENGTHS_MS = (20, 40, 80, 160, 248)
BEATS = set("NLRBAaJSVrFejnE/fQ?")


def record(folder: Path, name: str, lead: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """An ECG in mV in whole counts of 5 microvolts at 250 Hz, and the labelled beats in samples."""
    signal = np.nan_to_num(wfdb.rdrecord(str(folder / name), channels=[lead]).p_signal[:, 0])
    marks = wfdb.rdann(str(folder / name), "atr")
    beats = np.array([at for at, symbol in zip(marks.sample, marks.symbol, strict=True) if symbol in BEATS])
    middle = signal.mean()
    return np.rint((resample_poly(signal - middle, 25, 36) + middle) / 0.005) * 0.005, beats * RATE / 360


def moving_mean(value: np.ndarray, width: int) -> np.ndarray:
    total, at = np.concatenate([[0.0], np.cumsum(value)]), np.arange(len(value))
    low, high = np.maximum(at - width // 2, 0), np.minimum(at + (width + 1) // 2, len(value))
    return np.asarray((total[high] - total[low]) / (high - low))


def detect(value: np.ndarray, sign: int = 0) -> tuple[np.ndarray, int]:
    """R peaks in samples, and their polarity: two moving averages after Elgendi 2013 (constants from memory),
    then the top of the 1-40 Hz band within 60 ms by a parabola. ``sign`` prescribes the polarity."""
    power = band(value, 8, 20) ** 2
    tops = power[: len(power) // 500 * 500].reshape(-1, 500).max(axis=1)
    floor = moving_mean(np.minimum(power, 3 * np.median(tops)), int(60 * RATE))
    begin, end = runs(moving_mean(power, 24) > moving_mean(power, 153) + 0.08 * floor)
    wide = end - begin >= 24
    near = np.array(
        [first + np.argmax(power[first:last]) for first, last in zip(begin[wide], end[wide], strict=True)]
    )
    near = near[(near > 17) & (near < len(value) - 18)]
    seen = band(value, 1, 40)
    around = seen[near[:, None] + np.arange(-15, 16)]
    sign = sign or (1 if np.median(around.max(axis=1) + around.min(axis=1)) >= 0 else -1)
    top = near - 15 + (sign * around).argmax(axis=1)
    left, at, right = (sign * seen[top + step] for step in (-1, 0, 1))
    bend = left - 2 * at + right
    place = top + np.clip(
        np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0), -0.5, 0.5
    )
    order = np.argsort(place)
    place, height = place[order], at[order]
    while len(close := np.flatnonzero(np.diff(place) < 0.3 * RATE)):  # of two within 300 ms the higher stays
        lower = close[0] if height[close[0]] < height[close[0] + 1] else close[0] + 1
        place, height = np.delete(place, lower), np.delete(height, lower)
    return place, sign


def gaps_in(n: int, beats: np.ndarray, size: int, kind: str, rng: np.random.Generator) -> np.ndarray:
    """Which samples (n,) are lost."""
    lost, at, turn = np.zeros(n, np.bool_), int(3 * RATE), 0
    while at < n - 6 * RATE:
        if turn % 2 == 0:
            after = np.searchsorted(beats, at)
            if after == len(beats):
                break
            at = round(beats[after]) - int(rng.integers(0, size))
        for _ in range(3 if kind == "burst" else 1):
            lost[at : at + size] = at + size < n - 3 * RATE
            at += size + int(rng.uniform(0.2, 0.5) * RATE)
        at, turn = at + int(rng.uniform(2, 4) * RATE), turn + 1
    return lost


def nearest(at: np.ndarray, among: np.ndarray) -> np.ndarray:
    """Signed distance (n,) from each of ``at`` to the nearest ``among``."""
    right = np.clip(np.searchsorted(among, at), 1, len(among) - 1)
    before, after = among[right - 1] - at, among[right] - at
    return np.where(np.abs(before) < np.abs(after), before, after)


def judge(
    value: np.ndarray,
    out: np.ndarray,
    lost: np.ndarray,
    unbroken: np.ndarray,
    truth: np.ndarray,
    sign: int,
    scored: np.ndarray,
) -> dict[str, object]:
    refused = np.isnan(out)
    whole = straight(np.nan_to_num(out), refused)
    peaks, _ = detect(whole, sign)
    inside = truth[lost[np.rint(truth).astype(int)]]
    off = nearest(inside, peaks)
    hit = (np.abs(off) <= 0.02 * RATE) & ~refused[np.rint(inside).astype(int)]
    there = np.rint(peaks).astype(int)
    made = peaks[lost[there] & ~refused[there]]
    starts, _ = runs(lost)
    invented = np.abs(nearest(made, truth)) > 0.15 * RATE
    return {
        "r": len(inside),
        "found": int(hit.sum()),
        "refused": int(refused[np.rint(inside).astype(int)].sum()),
        "off": (off[hit] * 1000 / RATE).tolist(),
        "square": float(((whole - value)[scored] ** 2).sum()),
        "scored": int(scored.sum()),
        "made": len(made),
        "gaps": len(starts),
        "invented": int(invented.sum()),
        "new": int((invented & (np.abs(nearest(made, unbroken)) > 0.15 * RATE)).sum()),
        "left": int(refused[starts].sum()),
    }


def of_record(
    folder: Path, name: str, sizes: list[int], methods: list[str], seed: int = 0, lead: int = 0
) -> list[dict[str, object]]:
    value, beats = record(folder, name, lead)
    peaks, sign = detect(value)
    truth = peaks[np.abs(nearest(peaks, beats)) <= 0.15 * RATE]
    rows = []
    for size in sizes:
        for kind in ("isolated", "burst"):
            lost = gaps_in(len(value), beats, size, kind, np.random.default_rng([size, len(kind), seed]))
            filled = {method: METHODS[method](value, lost) for method in methods}
            qrs = np.zeros(len(value), np.bool_)
            qrs[(np.rint(truth).astype(int)[:, None] + np.arange(-12, 13)).clip(0, len(value) - 1)] = True
            scored = qrs & lost & ~np.isnan(filled["pattern"])
            for method, out in filled.items():
                told = judge(value, out, lost, peaks, truth, sign, scored)
                rows.append(
                    {"record": name, "ms": round(size * 1000 / RATE), "kind": kind, "method": method} | told
                )
    return rows


def summed(rows: list[dict[str, object]]) -> dict[str, float]:
    counted = ("r", "found", "refused", "square", "scored", "made", "invented", "new", "gaps", "left")
    total = {key: sum(row[key] for row in rows) for key in counted}  # type: ignore[misc]
    off = np.concatenate([row["off"] for row in rows] or [[]])
    accepted = max(total["r"] - total["refused"], 1)
    return {
        "R": total["r"],
        "found %": 100 * total["found"] / max(total["r"], 1),
        "found of filled %": 100 * total["found"] / accepted,
        "SD ms": float(off.std()) if len(off) else np.nan,
        "error uV": 1000 * np.sqrt(total["square"] / max(total["scored"], 1)),
        "invented %": 100 * total["invented"] / max(total["made"], 1),
        "invented": total["invented"],
        "new %": 100 * total["new"] / max(total["made"], 1),
        "refused %": 100 * total["left"] / max(total["gaps"], 1),
    }


def show(rows: list[dict[str, object]], sizes: list[int], methods: list[str]) -> list[dict[str, object]]:
    print(
        f"{'gap':>4} {'kind':9}{'method':9}{'R':>6}{'found %':>9}{'of filled':>10}{'SD ms':>7}"
        f"{'error uV':>10}{'ratio':>7}{'invented %':>12}{'new %':>7}{'refused %':>11}"
    )
    told = []
    for ms in (round(size * 1000 / RATE) for size in sizes):
        for kind in ("isolated", "burst"):
            mine = [row for row in rows if row["ms"] == ms and row["kind"] == kind]
            each = {method: summed([row for row in mine if row["method"] == method]) for method in methods}
            peers = [each[method]["error uV"] for method in ("linear", "cubic", "ar") if method in each]
            best = min(peers, default=np.nan)
            for method, one in each.items():
                ratio = one["error uV"] / best
                print(
                    f"{ms:4} {kind:9}{method:9}{one['R']:6.0f}{one['found %']:9.2f}"
                    f"{one['found of filled %']:10.2f}{one['SD ms']:7.2f}{one['error uV']:10.0f}"
                    f"{ratio:7.2f}{one['invented %']:12.2f}{one['new %']:7.2f}"
                    f"{one['refused %']:11.2f}"
                )
                told.append({"ms": ms, "kind": kind, "method": method, "ratio": ratio} | one)
    _by_record([row for row in rows if row["method"] == "pattern"], sizes)
    return told


def _by_record(rows: list[dict[str, object]], sizes: list[int]) -> None:
    """Found % of pattern for each record and for those its constants were chosen on and the others."""
    names = list(dict.fromkeys(str(row["record"]) for row in rows))
    groups = {name: {name} for name in names} | {
        "chosen on": set(CHOSEN_ON),
        "the others": set(names) - set(CHOSEN_ON),
        "but 118e06": set(names) - {"nstdb/118e06"},
    }
    for kind in ("isolated", "burst"):
        print(f"\npattern, {kind} gaps: found % by record, and peaks that are new, %, at the longest")
        for title, group in groups.items():
            cells = [
                summed(
                    [
                        row
                        for row in rows
                        if row["record"] in group
                        and row["kind"] == kind
                        and row["ms"] == round(size * 1000 / RATE)
                    ]
                )
                for size in sizes
            ]
            print(
                f"{title:14}"
                + "".join(f"{cell['found %']:8.2f}" for cell in cells)
                + f"{cells[-1]['new %']:10.2f}"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--records", default=",".join(RECORDS))
    parser.add_argument("--lengths", default=",".join(map(str, LENGTHS_MS)), help="in ms")
    parser.add_argument("--methods", default=",".join(METHODS), help="pattern among them")
    parser.add_argument("--seed", type=int, default=0, help="of the places of the gaps")
    parser.add_argument("--lead", type=int, default=0, help="which channel of the records")
    asked = parser.parse_args()
    methods = asked.methods.split(",")
    folder = Path(os.environ.get("NODEDAY_OPEN_DATA", "."))
    sizes = [round(float(ms) * RATE / 1000) for ms in asked.lengths.split(",")]
    rows = [
        row
        for name in asked.records.split(",")
        for row in of_record(folder, name, sizes, methods, asked.seed, asked.lead)
    ]
    Path(__file__).with_suffix(".json").write_text(json.dumps(show(rows, sizes, methods), indent=1))


if __name__ == "__main__":
    main()
