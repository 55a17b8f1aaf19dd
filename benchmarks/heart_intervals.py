"""Heart rate by minute against expert beats, and the rule for odd intervals against labelled ones.

Run: ``NODEDAY_OPEN_DATA=... .venv/bin/python benchmarks/heart_intervals.py``. Of the rule, what it excludes
of normal and what it lets through of ectopic; beats are those of the labels, so that the rule alone is
measured. Hearts: MIT-BIH records, in rhythms that their labels call normal, sinus bradycardia, bigeminy or
trigeminy; hearts of an integral pulse frequency modulation model, which shares nothing with the simulator of
nodeday (Mateo and Laguna 2000, from memory; its two bands as in McSharry et al. 2003, from memory); the
series of normal intervals that the package pyhrv ships. Other rules, as an open implementation states them,
run beside it."""

from __future__ import annotations

import importlib.util
import json
import os
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from records import Record, analysed, records

from nodeday.config.models import HeartSettings
from nodeday.stages.features.heart.artefacts import irregular
from nodeday.stages.features.heart.rates import BeatSeries, variability
from nodeday.stages.features.heart.spectrum import SpectrumRows, powers_of

SECOND, WINDOW_S = 1_000_000_000, 300
NORMAL, ECTOPIC = frozenset("NLRB"), frozenset("AaJSVFEejn")
SINUS = ("(N", "(SBR", "(B", "(T")
HEAD = (
    f"{'heart':27s} normal  excluded   early, through   median bias of normal kept, then of all kept: "
    "RMSSD %, SDNN %, pNN50 points, LF %, HF %"
)
NAMES = ("rmssd", "sdnn", "pnn50", "lf", "hf")


@dataclass(frozen=True)
class Heart:
    """Intervals ``rr`` in ms, which of them are ``normal``, and which end at an ``ectopic`` beat."""

    name: str
    rr: Any
    normal: Any
    ectopic: Any


# --- hearts ------------------------------------------------------------------------------


def recorded(path: Path) -> Heart:
    """A record of MIT-BIH by its labels; intervals in other rhythms are neither normal nor ectopic."""
    import wfdb

    labels = wfdb.rdann(str(path), "atr")
    symbol = np.array(labels.symbol)
    rhythms = symbol == "+"
    notes = [note.rstrip("\0") for note, one in zip(labels.aux_note, rhythms, strict=True) if one]
    beat = np.isin(symbol, list("NLRBAaJSVrFejnE/fQ?"))
    sample, symbol = labels.sample[beat], symbol[beat]
    at = np.searchsorted(labels.sample[rhythms], sample, side="right") - 1
    sinus = np.isin(np.array(notes)[np.maximum(at, 0)], SINUS)
    fine, early = (np.isin(symbol, list(known)) & sinus for known in (NORMAL, ECTOPIC))
    return Heart(path.name, np.diff(sample) / labels.fs * 1000, fine[1:] & fine[:-1], early[1:] & ~early[:-1])


def published() -> list[Heart]:
    """The series of normal intervals that pyhrv ships, where it is installed."""
    found = importlib.util.find_spec("pyhrv")
    if found is None or not found.submodule_search_locations:
        return []
    folder = Path(found.submodule_search_locations[0]) / "files"
    series = [
        (name, np.load(folder / f"SampleNNISeries{name}.npy").astype(float)) for name in ("Long", "Short")
    ]
    return [
        Heart(f"pyhrv {name}", rr, np.ones(len(rr), bool), np.zeros(len(rr), bool)) for name, rr in series
    ]


def band_noise(rng: Any, t: Any, centre_hz: float, width_hz: float) -> Any:
    """Noise of unit variance in a Gaussian band."""
    spectrum = np.fft.rfft(rng.standard_normal(len(t)))
    hz = np.fft.rfftfreq(len(t), t[1] - t[0])
    signal = np.fft.irfft(spectrum * np.exp(-((hz - centre_hz) ** 2) / (4 * width_hz**2)), len(t))
    return signal / signal.std()


def modelled(
    name: str, bpm: Any, slow: float, breath: float, breath_hz: float, early: float, seed: int
) -> Heart:
    """Beats where the integral of the modulated rate passes whole numbers, some followed by an early one.

    ``bpm`` is the rate at each second, ``slow`` and ``breath`` the standard deviations of its modulations. An
    early beat comes after 50 to 85 % of an interval; half of them reset the rhythm, half wait for the next
    beat.
    """
    rng, step = np.random.default_rng(seed), 0.004
    t = np.arange(0, len(bpm), step)
    rate = np.interp(t, np.arange(len(bpm)), bpm) / 60
    rate *= 1 + slow * band_noise(rng, t, 0.1, 0.01) + breath * band_noise(rng, t, breath_hz, 0.01)
    phase = np.cumsum(np.maximum(rate, 0.3)) * step
    at = np.interp(np.arange(1, int(phase[-1])), phase, t)
    kind = np.zeros(len(at), bool)
    for beat in np.flatnonzero(rng.random(len(at) - 2) < early)[::-1].tolist():
        moved = (at[beat + 1] - at[beat]) * rng.uniform(0.15, 0.5)
        if beat and not kind[beat : beat + 3].any():
            at[beat + 1] -= moved
            kind[beat + 1] = True
            if rng.random() < 0.5:
                at[beat + 2 :] -= 0.8 * moved
    rr = np.diff(at) * 1000
    return Heart(name, rr, ~kind[1:] & ~kind[:-1], kind[1:])


def models() -> list[Heart]:
    hour, ramp = np.full(3600, 62.0), np.concatenate([np.full(300, 65), np.linspace(65, 170, 600)])
    run = np.concatenate([ramp, np.full(300, 170.0), 65 + 105 * np.exp(-np.arange(900) / 120)])
    hearts = []
    for early in (0.0, 0.02, 0.1):
        for name, *how in (
            ("quiet", hour, 0.02, 0.015, 0.25),
            ("usual", hour, 0.04, 0.03, 0.25),
            ("deep breaths", hour, 0.03, 0.08, 0.2),
            ("slow deep breaths", hour * 0.8, 0.04, 0.12, 0.15),
            ("exercise", run, 0.03, 0.015, 0.35),
        ):
            hearts.append(modelled(f"{name}, {early:.0%} early", *how, early, 7))
    return hearts


# --- rules -------------------------------------------------------------------------------


def malik(rr: Any) -> Any:
    return np.concatenate([[False], np.abs(np.diff(rr)) > 0.2 * rr[:-1]])


def kamath(rr: Any) -> Any:
    step = np.diff(rr) / rr[:-1]
    return np.concatenate([[False], (step > 0.325) | (step < -0.245)])


def karlsson(rr: Any) -> Any:
    mean = (rr[:-2] + rr[2:]) / 2
    return np.concatenate([[False], np.abs(rr[1:-1] - mean) > 0.2 * mean, [False]])


RULES: dict[str, Callable[[Any], Any]] = {
    "nodeday": lambda rr: irregular(rr, np.isfinite(rr)) > 0,
    "Malik 20 %": malik,
    "Kamath and Fallen": kamath,
    "Karlsson 20 %": karlsson,
}


# --- figures -----------------------------------------------------------------------------


def values(rr: Any, use: Any) -> dict[str, Any]:
    """Features of each five minutes from the intervals in ``use``."""
    at = np.concatenate([[0], np.rint(np.cumsum(rr) * 1e6)]).astype(np.int64)
    status = np.concatenate([[1], np.where(use, 0, 5)]).astype(np.int8)
    one = BeatSeries(at, np.concatenate([[np.nan], rr]), status)
    starts = np.arange(0, at[-1] - WINDOW_S * SECOND + 1, WINDOW_S * SECOND)
    ends = starts + WINDOW_S * SECOND
    found = variability(one, starts, ends)
    rows = SpectrumRows(starts, ends, (status == 0)[None], np.zeros(len(starts), np.int64))
    powers = powers_of(one.at_ns, one.rr, rows, WINDOW_S)
    return {
        "rmssd": found.rmssd_ms,
        "sdnn": found.sdnn_ms,
        "pnn50": found.pnn50_pct,
        "lf": powers["lf"],
        "hf": powers["hf"],
        "kept_s": found.kept_s,
    }


def bias(true: dict[str, Any], got: dict[str, Any]) -> dict[str, float]:
    """Median bias in % over the windows with half of their time in normal intervals; of pNN50, in points."""
    held = true["kept_s"] > WINDOW_S / 2
    found = {}
    for name in NAMES:
        with np.errstate(invalid="ignore", divide="ignore"):
            off = got[name] - true[name] if name == "pnn50" else 100 * (got[name] / true[name] - 1)
        off = off[held & np.isfinite(off)]
        found[name] = float(np.median(off)) if len(off) else float("nan")
    return found


def measured(heart: Heart, rule: Callable[[Any], Any]) -> dict[str, Any]:
    """Both error rates of a rule, and the bias of features: of normal intervals that it keeps, and of all."""
    odd = rule(heart.rr)
    with_early = heart.ectopic | np.concatenate([[False], heart.ectopic[:-1]])
    true = values(heart.rr, heart.normal)
    return {
        "normal": int(heart.normal.sum()),
        "excluded": int((heart.normal & odd).sum()),
        "early": int(heart.ectopic.sum()),
        "through": int((heart.ectopic & ~odd).sum()),
        "intervals_through": int((with_early & ~odd).sum()),
        "kept": bias(true, values(heart.rr, heart.normal & ~odd)),
        "all": bias(true, values(heart.rr, ~odd & (heart.normal | with_early))),
    }


def line(name: str, one: dict[str, Any]) -> str:
    share = 100 * one["excluded"] / max(one["normal"], 1)
    through = f"{one['through']:4d} of {one['early']:4d}" if one["early"] else "none there  "
    kept, every = (" ".join(f"{one[key][name]:+7.2f}" for name in NAMES) for key in ("kept", "all"))
    return f"{name:27s} {one['normal']:6d} {share:7.3f} %  {through}  {kept}  {every}"


def minutes(record: Record) -> dict[str, Any]:
    """Heart rate of each minute without flutter against 60 / mean interval of the expert's beats."""
    nothing_lost = np.zeros(len(record.signal), bool)
    settings = HeartSettings(error_bars=False)
    got = analysed(record.signal, record.rate, nothing_lost, 60, settings)["heart_rate_bpm"].value
    minute, rr = (record.beats[1:] // 60).astype(int), np.diff(record.beats)
    true = [60 / rr[minute == one].mean() if (minute == one).any() else np.nan for one in range(len(got))]
    flutter = [
        any(a < 60 * (one + 1) and b >= 60 * one for a, b in record.flutter) for one in range(len(got))
    ]
    off = np.abs(got - true)[~np.array(flutter)]
    figures = {
        "minutes": len(off),
        "null": int(np.isnan(off).sum()),
        "over_5": int((off > 5).sum()),
        "over_10": int((off > 10).sum()),
    }
    print(
        record.name,
        *(f"{name} {count}" for name, count in figures.items()),
        f"worst {np.nanmax(off):.2f} bpm",
    )
    return figures


def main() -> None:
    warnings.simplefilter("ignore")  # of the reader of the labels
    by_minute = {record.name: minutes(record) for record in records("mitdb")}
    print(
        "all:",
        {
            key: sum(one[key] for one in by_minute.values())
            for key in ("minutes", "null", "over_5", "over_10")
        },
    )
    folder = Path(os.environ["NODEDAY_OPEN_DATA"]) / "mitdb"
    hearts = (
        [recorded(path.with_suffix("")) for path in sorted(folder.glob("*.hea"))] + published() + models()
    )
    figures: dict[str, Any] = {"minutes": by_minute}
    for rule, apply in RULES.items():
        print(f"--- {rule}\n{HEAD}")
        figures[rule] = {heart.name: measured(heart, apply) for heart in hearts}
        for name, one in figures[rule].items():
            print(line(name, one))
        total = {
            key: sum(one[key] for one in figures[rule].values())
            for key in ("normal", "excluded", "early", "through")
        }
        print(
            f"all: {100 * total['excluded'] / total['normal']:.3f} % of {total['normal']} normal excluded, "
            f"{100 * total['through'] / total['early']:.2f} % of {total['early']} early beats let through"
        )
    Path("benchmarks/heart_intervals.json").write_text(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
