"""How far the probability of a fill can be trusted, where its lines come from, and what a least one does.

    NODEDAY_OPEN_DATA=DIR .venv/bin/python benchmarks/repair_certainty.py [fit] [rate]

Gaps lie at random, as losses do: alone and of any length of 12 to 248 ms, three of them within a second, or
frames of 80 ms in runs of up to three. Each is filled from what is left of the record. A fill is right where
each true beat in its gap has a peak within 20 ms, and each peak in it a true beat. Peaks come from the
detector of ``repair.py``; the truth is what it finds in the unbroken record within 150 ms of an expert's
label. Gaps in flutter, and around labelled beats that it does not find, tell nothing and are left out.

``fit`` prints the lines of ``certainty.py``, fitted on all ten records, and then how well probabilities hold
on each record by lines fitted on the nine others: stated and right in ten bins of as many fills each. Hearts
of the simulator, and record 118 with noise, are never fitted on.

``rate`` prints the error of the heart rate of 30 s under loss by the least probability of a fill, through
the whole of stage `features`, against the unbroken record.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import wfdb
from nodeday.schemas import codes
from records import FRAME_S, analysed_rows, at_samples, losing, sample_rows
from repair import RATE, RECORDS, band, detect, nearest, record
from repair_fills import POLICY, straight

from nodeday.config.models import HeartSettings
from nodeday.core.arrays import runs
from nodeday.stages.repair.blend import Choice
from nodeday.stages.repair.certainty import probability_right
from nodeday.stages.repair.fill import mend
from nodeday.stages.repair.pattern import PatternMatch, good_enough, seamed, stack_candidates
from nodeday.stages.simulate.ecg import synthesise

FOLDER = Path(os.environ.get("NODEDAY_OPEN_DATA", "."))
TEN = [name for name in RECORDS if name.startswith("mitdb/")]
NOISY = [name for name in RECORDS if name.startswith("nstdb/")]
HEARTS = [f"simulated {seed}" for seed in range(1, 9)]
SEEDS = 2
LEAST = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98)
LOSSES = ((0.05, 1), (0.1, 1.5), (0.2, 2), (0.3, 2))
"""Share of the frames lost, and the mean burst."""
Facts = dict[str, np.ndarray]


def signal(name: str) -> tuple[np.ndarray, np.ndarray]:
    """An ECG in mV at 250 Hz and its beats in samples."""
    if not name.startswith("simulated"):
        return record(FOLDER, name)
    rng, n = np.random.default_rng([int(name.split()[1]), 77]), 1800 * 500
    bpm = rng.uniform(50, 120) * np.exp(rng.normal(0, 0.08, 30))
    one = synthesise(
        np.interp(np.arange(n), np.linspace(0, n, 30), bpm), np.full(n, rng.uniform(1, 6)), 0.0, rng
    )
    value = one.voltage_mv[::2]
    noise = band(rng.normal(0, 1, len(value)), 1, 40)
    drift = np.interp(np.arange(len(value)), np.arange(0, len(value) + 500, 500), rng.normal(0, 0.3, 901))
    value = value + 10 ** rng.uniform(-2.2, -1) * noise / noise.std() + drift
    return np.rint(value / 0.005) * 0.005, one.r_s * RATE


def random_gaps(n: int, kind: str, rng: np.random.Generator) -> np.ndarray:
    """Which samples (n,) are lost."""
    lost, at = np.zeros(n, np.bool_), int(3 * RATE)
    while at < n - 6 * RATE:
        for _ in range(3 if kind == "burst" else 1):
            frames = int(FRAME_S * RATE) * min(int(rng.geometric(0.5)), 3)
            size = frames if kind == "frames" else int(rng.integers(3, 63))
            lost[at : at + size] = True
            at += size + int(rng.uniform(0.2, 0.5) * RATE)
        at += int(rng.exponential(1.5) * RATE) + 60
    return lost


def filled(value: np.ndarray, lost: np.ndarray) -> tuple[np.ndarray, Facts]:
    """The signal with every gap filled that has a candidate, and what is known of each fill (g,)."""
    starts, ends = runs(lost)
    out = np.where(lost, np.nan, value)
    facts = {"kind": np.zeros(len(starts), int), "facts": np.zeros((len(starts), 4))}
    facts["usable"] = np.zeros(len(starts), bool)
    for which, stack in stack_candidates(np.where(lost, 0.0, value), ~lost, starts, ends, RATE):
        choice: Choice = stack.choose()
        match = PatternMatch(choice.likeness, choice.steep, choice.support, choice.probability)
        facts["kind"][which], facts["facts"][which] = choice.content, choice.evidence
        facts["usable"][which] = good_enough(match)
        for gap, row in zip(which.tolist(), choice.fill, strict=True):
            out[starts[gap] : ends[gap]] = seamed(row, value[starts[gap] - 1], value[ends[gap]])
    return out, facts


def outcomes(name: str, value: np.ndarray, beats: np.ndarray, lost: np.ndarray, out: np.ndarray) -> Facts:
    """Of each gap (g,): whether its fill is right, and whether that can be known."""
    starts, ends = runs(lost)
    unbroken, sign = detect(value)
    truth = unbroken[np.abs(nearest(unbroken, beats)) <= 0.15 * RATE]
    peaks, _ = detect(straight(np.nan_to_num(out), np.isnan(out)), sign)
    missed = beats[np.abs(nearest(beats, truth)) > 0.15 * RATE]
    right, known = np.ones((2, len(starts)), bool)
    for at, among, mark in ((truth, peaks, right), (peaks, truth, right), (missed, None, known)):
        gap = np.searchsorted(starts, np.rint(at), side="right") - 1
        inside = (gap >= 0) & (np.rint(at) < ends[gap])
        off = inside if among is None else inside & (np.abs(nearest(at, among)) > 0.02 * RATE)
        mark[gap[off]] = False
    for first, last in flutter(name):
        known &= (ends < first - RATE) | (starts > last + RATE)
    return {"right": right, "known": known}


def flutter(name: str) -> Iterator[tuple[float, float]]:
    """First and last sample of each stretch of flutter."""
    if name.startswith("mitdb"):
        marks = wfdb.rdann(str(FOLDER / name), "atr")
        at, symbol = marks.sample * RATE / 360, np.array(marks.symbol)
        yield from zip(at[symbol == "["], at[symbol == "]"], strict=True)


def fills_of(names: list[str]) -> Facts:
    """Facts and outcomes of all fills that the policy would use."""
    parts: list[Facts] = []
    for name in names:
        value, beats = signal(name)
        for seed in range(SEEDS):
            for kind in ("single", "burst", "frames"):
                lost = random_gaps(len(value), kind, np.random.default_rng([seed, *kind.encode()]))
                out, facts = filled(value, lost)
                facts |= outcomes(name, value, beats, lost, out)
                keep = facts.pop("usable") & facts.pop("known")
                parts.append({key: each[keep] for key, each in facts.items()})
                parts[-1]["name"] = np.full(keep.sum(), name)
    return {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}


def line(facts: np.ndarray, right: np.ndarray) -> np.ndarray:
    """The logistic line of most likelihood, by Newton's method; a ridge of one keeps slopes finite."""
    ridge, weights = np.diag([0.0, *np.ones(facts.shape[1] - 1)]), np.zeros(facts.shape[1])
    for _ in range(50):
        p = 1 / (1 + np.exp(-facts @ weights))
        slope = facts.T @ (right - p) - ridge @ weights
        weights = weights + np.linalg.solve((facts * (p * (1 - p))[:, None]).T @ facts + ridge, slope)
    return weights


def lines(fills: Facts) -> np.ndarray:
    kinds = [fills["kind"] == kind for kind in range(3)]
    return np.array([line(fills["facts"][kind], fills["right"][kind]) for kind in kinds])


def table(title: str, stated: np.ndarray, right: np.ndarray) -> dict[str, object]:
    """Percent stated and right in ten bins of as many fills each, and of fills that state 95 % or more."""
    bins = np.array_split(np.argsort(stated, kind="stable"), 10)
    pairs = [(100 * float(stated[each].mean()), 100 * float(right[each].mean())) for each in bins]
    sure = stated >= 0.95
    apart = max(abs(one - other) for one, other in pairs)
    print(
        f"{title:34}{len(stated):7} fills, {100 * right.mean():6.2f} % right; worst bin {apart:4.1f} off; "
        f"{100 * sure.mean():5.1f} % state 95 % or more, right in {100 * right[sure].mean():.2f} %; Brier "
        f"{((stated - right) ** 2).mean():.4f}"
    )
    print("    stated/right " + " ".join(f"{one:.1f}/{other:.1f}" for one, other in pairs))
    return {
        "fills": len(stated),
        "bins": pairs,
        "worst": apart,
        "sure_right": 100 * float(right[sure].mean()),
    }


def fit() -> dict[str, object]:
    ten = fills_of(TEN)
    fitted = lines(ten)
    print("LINES = (\n" + "".join(f"    ({', '.join(f'{w:.2f}' for w in row)}),\n" for row in fitted) + ")")
    stated = np.zeros(len(ten["right"]))
    for name in TEN:
        one = ten["name"] == name
        others = lines({key: each[~one] for key, each in ten.items()})
        score = (others[ten["kind"][one]] * ten["facts"][one]).sum(axis=1)
        stated[one] = 1 / (1 + np.exp(-score))
    figures: dict[str, object] = {"lines": fitted.tolist()}
    for title, kinds in (("all", (0, 1, 2)), ("beat inside", (0,)), ("flank", (1,)), ("quiet", (2,))):
        of = np.isin(ten["kind"], kinds)
        figures[title] = table(f"records left out, {title}", stated[of], ten["right"][of])
    for name in TEN:
        one = (ten["name"] == name) & (ten["kind"] == 0)
        print(
            f"    {name}: beat inside, {stated[one].mean():.3f} stated, {ten['right'][one].mean():.3f} right"
        )
    for title, names in (("simulated hearts", HEARTS), ("118 with noise", NOISY)):
        fills = fills_of(names)
        figures[title] = table(title, probability_right(fills["kind"], fills["facts"]), fills["right"])
    return figures


def rate() -> dict[str, object]:
    figures: dict[str, object] = {}
    settings = HeartSettings(error_bars=False)
    for share, burst in LOSSES:
        errors: dict[float, list[np.ndarray]] = {least: [] for least in LEAST}
        for name in TEN:
            value, _ = signal(name)
            none = np.zeros(len(value), np.bool_)
            true = rates_of(value, none, none, settings)
            lost = at_samples(losing(len(value) / RATE, share, burst, name), len(value), RATE)
            for least in LEAST:
                policy = replace(POLICY, least_probability=least)
                seconds = np.arange(len(value)) / RATE
                out = mend(seconds, np.where(lost, np.nan, value)[:, None], ~lost, ~lost, none, policy)
                errors[least].append(rates_of(out.values[:, 0], lost, out.filled, settings) - true)
        print(f"{100 * share:g} % of frames lost, bursts of {burst}")
        for least, parts in errors.items():
            error = np.abs(np.concatenate(parts))
            has = np.isfinite(error)
            figures[f"{share}, {least}"] = row = {
                "mean": float(error[has].mean()),
                "p95": float(np.quantile(error[has], 0.95)),
                "over_5": float(100 * (error[has] > 5).mean()),
                "with_value": float(100 * has.mean()),
            }
            print(
                f"    least {least:4.2f}: mean error {row['mean']:.3f} bpm, 95 % within {row['p95']:.2f}, "
                f"{row['over_5']:.2f} % over 5 bpm; {row['with_value']:.1f} % of epochs have a value"
            )
    return figures


def rates_of(value: np.ndarray, lost: np.ndarray, fills: np.ndarray, settings: HeartSettings) -> np.ndarray:
    """Heart rate of each 30 s."""
    rows = sample_rows(value, RATE, lost & ~fills)
    origin, quality = rows.origin.copy(), rows.quality.copy()
    origin[fills] = list(codes.ORIGIN).index("interpolated")
    quality[fills] = list(codes.QUALITY).index("pattern_fill")
    rows = replace(rows, origin=origin, quality=quality)
    return analysed_rows(rows, RATE, 30, settings)["heart_rate_bpm"].value


def main() -> None:
    wanted = sys.argv[1:] or ["fit", "rate"]
    target = Path(__file__).with_suffix(".json")
    figures = json.loads(target.read_text()) if target.exists() else {}
    for part in wanted:
        figures[part] = {"fit": fit, "rate": rate}[part]()
    target.write_text(json.dumps(figures, indent=1) + "\n")


if __name__ == "__main__":
    main()
