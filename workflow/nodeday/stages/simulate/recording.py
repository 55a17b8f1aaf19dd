"""Readers of recorded signals: CSV tables, NumPy archives and WFDB records."""

from __future__ import annotations

import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nodeday.core.arrays import Floats
from nodeday.core.errors import SettingsError

UNITS = {"mv": ("mV", 1.0), "uv": ("mV", 1e-3), "g": ("g", 1.0), "mg": ("g", 1e-3), "degc": ("degC", 1.0)}
"""Unit and factor by the suffix of a column's name."""
TIME = {"time_s": 1.0, "time_ms": 1e-3, "time_us": 1e-6}
COLUMN = re.compile(r"^(?:(?P<node>[A-Za-z][A-Za-z0-9_]*)\.)?(?P<channel>[a-z][a-z0-9]*)_(?P<unit>[a-z]+)$")
COLUMN_RULE = "`channel_unit` or `node.channel_unit`, the unit one of " + ", ".join(UNITS)
UNEVEN = 0.5


@dataclass(frozen=True)
class RecordedSignal:
    """Signal of one node: ``values`` (n, channels) in ``unit``, evenly spaced at ``rate_hz``."""

    values: Floats
    rate_hz: float
    channels: tuple[str, ...]
    unit: str

    @property
    def seconds(self) -> float:
        return len(self.values) / self.rate_hz


@dataclass(frozen=True)
class RecordedSignals:
    """Signals of a session by node, read from the file ``where``."""

    name: str
    signals: Mapping[str, RecordedSignal]
    where: str = "recording"


def read(path: Path) -> RecordedSignals:
    """Read a ``.csv``, a ``.npz``, or a WFDB record named by its header, its data file or its stem.

    Raises SettingsError for a file that cannot be read, and for one with missing values: a
    recording is replayed as it is, and nothing is filled in.
    """
    if path.suffix == ".csv":
        return read_csv(path)
    if path.suffix == ".npz":
        return read_npz(path)
    if path.suffix in (".hea", ".dat", ".atr", "") and path.with_suffix(".hea").is_file():
        return read_wfdb(path)
    if not path.exists():
        raise SettingsError("no such file", str(path))
    raise SettingsError("is no recording", str(path), "a .csv, a .npz, or a WFDB record (.hea)")


def read_csv(path: Path) -> RecordedSignals:
    """Read a table with a column of time and one column a channel.

    Time is ``time_s``, ``time_ms`` or ``time_us``; a channel is named ``channel_unit`` or
    ``node.channel_unit``, such as ``ecg_mv`` or ``ankle.x_g``. Raises SettingsError.
    """
    import pandas as pd

    try:
        frame = pd.read_csv(path)
    except (OSError, ValueError) as error:  # pandas' own parsing errors are ValueErrors
        raise SettingsError(f"cannot be read as a table ({str(error).splitlines()[0]})", str(path)) from None
    named = next((name for name in TIME if name in frame), None)
    if named is None:
        raise SettingsError("has no column of time", str(path), f"one of {', '.join(TIME)}")
    columns = {}
    for name in frame.columns:
        values = pd.to_numeric(frame[name], errors="coerce").to_numpy(np.float64)
        columns[str(name)] = values
    rate_hz = even_rate(columns.pop(named) * TIME[named], str(path))
    return from_columns(path.stem, columns, rate_hz, str(path))


def read_npz(path: Path) -> RecordedSignals:
    """Read arrays (n,) named as the columns of a table, and their ``rate_hz``; raise SettingsError."""
    try:
        with np.load(path, allow_pickle=False) as file:
            arrays = {name: np.asarray(file[name], np.float64) for name in file.files}
    except (OSError, ValueError) as error:
        raise SettingsError(f"cannot be read as arrays ({error})", str(path)) from None
    rate = arrays.pop("rate_hz", None)
    if rate is None or rate.size != 1 or not rate.ravel()[0] > 0:
        raise SettingsError("has no rate_hz", str(path), "one positive number named rate_hz")
    return from_columns(path.stem, arrays, float(rate.ravel()[0]), str(path))


def read_wfdb(path: Path) -> RecordedSignals:
    """Read the first lead of a WFDB record as channel ``ecg`` of node ``heart``; raise SettingsError."""
    wfdb = wfdb_package(str(path))
    try:
        record = wfdb.rdrecord(str(path.with_suffix("")), channels=[0])
    except (OSError, ValueError, IndexError) as error:
        raise SettingsError(f"cannot be read as a WFDB record ({error})", str(path)) from None
    suffix = str(record.units[0]).lower()
    columns = {f"heart.ecg_{suffix}": np.asarray(record.p_signal, np.float64)[:, 0]}
    return from_columns(path.stem, columns, float(record.fs), str(path))


def wfdb_package(where: str) -> Any:
    """Return the package wfdb; raise SettingsError if it is not installed."""
    try:
        with warnings.catch_warnings():  # its import uses a deprecated option of pandas
            warnings.simplefilter("ignore")
            import wfdb
    except ImportError:
        raise SettingsError(
            "is a WFDB record, and the package wfdb is not installed",
            where,
            remedy="Run `pip install nodeday[wfdb]`.",
        ) from None
    return wfdb


def even_rate(seconds: Floats, where: str) -> float:
    """Return the samples a second of time stamps (n,); raise SettingsError if they are not evenly spaced."""
    steps = np.diff(seconds)
    typical = float(np.median(steps)) if len(steps) else 0.0
    if not typical > 0:
        raise SettingsError("times do not rise", where, "evenly spaced times, one a row")
    odd = np.flatnonzero(~(np.abs(steps - typical) <= UNEVEN * typical))
    if len(odd):
        raise SettingsError(
            f"row {odd[0] + 3} comes {steps[odd[0]]:g} s after the one before",
            where,
            f"steps of {typical:g} s throughout",
            "Cut the recording at the hole.",
        )
    rate = len(steps) / float(seconds[-1] - seconds[0])
    # Stamps in whole milliseconds give 64.0002; such a rate is the whole number next to it.
    return float(round(rate)) if abs(rate - round(rate)) < 1e-4 * rate else rate


def from_columns(name: str, columns: Mapping[str, Floats], rate_hz: float, where: str) -> RecordedSignals:
    """Return the signals of named arrays (n,) of one rate; raise SettingsError for wrong names or values.

    A study's names of nodes have small letters and digits alone: ``Left_Wrist`` becomes ``leftwrist``.
    """
    written: dict[str, str] = {}
    by_node: dict[str, dict[str, tuple[str, Floats]]] = {}
    for column, values in columns.items():
        match = COLUMN.match(column)
        if match is None or match["unit"] not in UNITS:
            raise SettingsError(f"column {column} is not understood", where, COLUMN_RULE)
        if values.ndim != 1 or not len(values) or not np.isfinite(values).all():
            holes = int((~np.isfinite(values)).sum())
            raise SettingsError(
                f"column {column} holds {holes} values that are no number",
                where,
                "numbers throughout",
                "Cut the recording at the hole.",
            )
        unit, factor = UNITS[match["unit"]]
        as_written = match["node"] or "node"
        node = as_written.replace("_", "").lower()
        if written.setdefault(node, as_written) != as_written:
            both = f"{written[node]} and {as_written}"
            raise SettingsError(
                f"nodes {both} would both be named {node}", where, "names that differ in letters"
            )
        by_node.setdefault(node, {})[match["channel"]] = (unit, values * factor)
    if not by_node:
        raise SettingsError("has no channels", where, COLUMN_RULE)
    signals = {}
    for node, channels in by_node.items():
        units = {unit for unit, _ in channels.values()}
        if len(units) > 1:
            raise SettingsError(f"node {node} mixes {', '.join(sorted(units))}", where, "one unit a node")
        if node == "hub":
            raise SettingsError("a node is named hub", where, "another name: the hub records nothing")
        values = np.stack([column for _, column in channels.values()], axis=1)
        signals[node] = RecordedSignal(values, rate_hz, tuple(channels), units.pop())
    return RecordedSignals(name, signals, where)
