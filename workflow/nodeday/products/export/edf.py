"""A session as one EDF+ file (EDF+C, written by edfio; Kemp and Olivan 2003, from memory).

The format has no missing value and one rate a signal. So a channel that changed its rate is a signal for
each rate, named in the label, with a hole while the other was in force. A hole is filled with the digital
value -32768, which no sample has, and gets an annotation with onset and duration, as does a stretch of
computed samples. Digital values of measured samples are the counts of the converter as sent, where 16 bits
hold them. Samples are put on the raster of :mod:`.raster`; the start of the file is in UTC, for the format
knows no zone.
"""

from __future__ import annotations

import datetime
import importlib
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.study import Study
from nodeday.core import atomic
from nodeday.core.arrays import Ints, runs
from nodeday.core.errors import SettingsError
from nodeday.layouts import Channel, Kind
from nodeday.products.export.raster import SECOND, RasterSamples, on_raster
from nodeday.storage import samples, tables

NOTHING, LEAST, MOST = -32768, -32767, 32767
"""Digital value of a hole, and the range of samples."""
RECEIVED = ("measured", "recovered")


@dataclass(frozen=True)
class EdfSignal:
    """A channel on its raster: digital values (n,), and the physical values of -32768 and 32767.

    ``counted`` are positions of the raster that are ``measured``, ``computed`` or ``missing``, and samples
    that were ``left_out`` or taken ``twice``. ``exact`` is whether measured values are the counts as sent.
    """

    label: str
    unit: str
    rate_hz: float
    digital: NDArray[np.int16]
    physical: tuple[float, float]
    exact: bool
    holes: tuple[Ints, Ints]
    fills: tuple[Ints, Ints]
    counted: dict[str, int]


def write(study: Study, session: str, target: Path) -> list[dict[str, object]]:
    """Write ``<session>.edf`` into ``target``; return a row of counts for each signal.

    A session without samples has no file, and no row.
    Raises SettingsError where edfio is not installed, ContractError where a table is absent.
    """
    edfio = library("edfio")
    nodes = tables.read(tables.path(study.results, "sessions"), "sessions", ["session", "start_ns", "end_ns"])
    node = nodes[nodes["session"] == session].iloc[0]
    if pd.isna(node["start_ns"]):
        return []
    start = int(node["start_ns"]) // SECOND * SECOND
    seconds = -(-(int(node["end_ns"]) - start) // SECOND)
    found = (
        _signal(study, session, node.node, kind, channel, start, seconds, len(kinds) > 1)
        for node, first in study.streams_of(session)
        for kinds in [_rates(study.layout_of(session, node.node).kinds_of(first.stream))]
        for kind in kinds
        for channel in kind.channels
    )
    signals = [signal for signal in found if signal is not None]
    if not signals:
        return []
    notes = _annotations(study, session, signals, start, seconds)
    at = datetime.datetime.fromtimestamp(start // SECOND, datetime.UTC)
    file = edfio.Edf(
        [_edf_signal(edfio, signal) for signal in signals],
        patient=edfio.Patient(code=study.session(session).participant),
        recording=edfio.Recording(startdate=at.date(), equipment_code="nodeday"),
        starttime=at.time(),
        data_record_duration=1,
        annotations=[edfio.EdfAnnotation(*note) for note in notes],
    )
    with atomic.replacing(target / f"{session}.edf") as partial:
        file.write(partial)
    return [
        {
            "session": session,
            "signal": signal.label,
            "rate_hz": signal.rate_hz,
            "places": len(signal.digital),
            "exact_counts": "yes" if signal.exact else "no",
            **signal.counted,
        }
        for signal in signals
    ]


def library(name: str) -> Any:
    """Import an optional library; raise SettingsError, which names the way to install it, if it is absent."""
    try:
        with warnings.catch_warnings():  # on import wfdb calls pandas in a way that is on its way out
            warnings.simplefilter("ignore")
            return importlib.import_module(name)
    except ImportError:
        raise SettingsError(
            f"{name} is not installed",
            expected="the extra `export`",
            remedy="Run `pip install 'nodeday[export]'`.",
        ) from None


def _rates(kinds: Sequence[Kind]) -> list[Kind]:
    """The first kind of each rate of a stream: the format has one rate a signal, and one scale.

    Raises SettingsError where kinds of one rate have several scales.
    """
    scales = {(kind.rate_hz, tuple((one.scale, one.offset) for one in kind.channels)) for kind in kinds}
    if len(scales) > len({rate for rate, _ in scales}):
        found = f"stream {kinds[0].stream} has frames of one rate with several scales"
        raise SettingsError(found, "EDF+ file", "one scale, which the format has for each signal")
    return list({kind.rate_hz: kind for kind in reversed(kinds)}.values())[::-1]


def _signal(
    study: Study, session: str, node: str, kind: Kind, channel: Channel, start: int, seconds: int, many: bool
) -> EdfSignal | None:
    """One rate of a channel on its raster; ``many`` says that the channel has other rates, too."""
    columns = ["utc_ns", "raw", "value", "origin", "rate_hz"]
    rows = samples.read(study.results, session, node, kind, columns, channel=channel.name)
    rows = rows[rows["rate_hz"] == (kind.rate_hz or 1.0)]
    if not len(rows):
        return None
    rows = rows[rows["origin"] != "missing"].sort_values("utc_ns", kind="stable")
    rate = kind.rate_hz or 1.0
    raster = on_raster(rows["utc_ns"].to_numpy(np.int64), start, round(seconds * rate), rate)
    digital, physical, exact = _digital(rows, raster, channel)
    computed = raster.filled.copy()
    computed[raster.filled] = ~rows["origin"].isin(RECEIVED).to_numpy()[raster.sample[raster.filled]]
    holes, fills = runs(~raster.filled), runs(computed)
    counted = {
        "measured": int((raster.filled & ~computed).sum()),
        "computed": int(computed.sum()),
        "missing": int((~raster.filled).sum()),
        "left_out": raster.left_out(len(rows)),
        "twice": raster.twice,
    }
    label = f"{node} {channel.name}" + (f" {rate:g}Hz" if many else "")
    return EdfSignal(label, channel.unit, rate, digital, physical, exact, holes, fills, counted)


def _digital(
    rows: pd.DataFrame, raster: RasterSamples, channel: Channel
) -> tuple[NDArray[np.int16], tuple[float, float], bool]:
    """Digital values of the raster, physical values of both ends of 16 bits, whether counts are as sent.

    Where the counts do not fit into 16 bits, their range is scaled to it.
    """
    received = rows["raw"].dropna().to_numpy(np.int64)
    exact = not len(received) or (received.min() >= LEAST and received.max() <= MOST)
    scale, offset = channel.scale, channel.offset
    if not exact:
        low, high = int(received.min()), int(received.max())
        scale = channel.scale * max(high - low, 1) / (MOST - LEAST)
        offset = channel.offset + channel.scale * low - scale * LEAST
    counts = np.rint((rows["value"].to_numpy(np.float64) - offset) / scale)
    if exact:
        counts = np.where(rows["raw"].notna(), rows["raw"].fillna(0).to_numpy(np.int64), counts)
    counts = np.clip(counts, LEAST, MOST).astype(np.int16)
    digital = np.full(len(raster.sample), NOTHING, np.int16)
    digital[raster.filled] = counts[raster.sample[raster.filled]]
    return digital, (NOTHING * scale + offset, MOST * scale + offset), bool(exact)


def _edf_signal(edfio: Any, signal: EdfSignal) -> Any:
    """The signal as edfio has it; the format holds physical ends in eight characters, so they are cut."""
    note = "counts as sent" if signal.exact else "counts rescaled"
    return edfio.EdfSignal.from_digital(
        signal.digital,
        signal.rate_hz,
        label=signal.label[:16],
        physical_dimension=signal.unit[:8],
        physical_range=tuple(_eight(end) for end in signal.physical),
        digital_range=(NOTHING, MOST),
        transducer_type="body-worn node",
        prefiltering=f"none; {note}; -32768 is no sample",
    )


def _eight(value: float) -> float:
    """The nearest number that eight characters hold."""
    for digits in range(8, -1, -1):
        text = f"{value:.{digits}f}"
        if len(text) <= 8:
            return float(text)
    raise SettingsError(f"a physical range reaches to {value:g}", expected="a number of eight characters")


def _annotations(
    study: Study, session: str, signals: list[EdfSignal], start: int, seconds: int
) -> list[tuple[float, float | None, str]]:
    """Onset and duration in s, and text: phases, holes and fills of each signal, in order of time."""
    phases = tables.read(tables.path(study.results, "phases"), "phases")
    phases = phases[(phases["session"] == session) & (phases["start_ns"] < phases["end_ns"])]
    found: list[tuple[float, float | None, str]] = [
        (
            (int(row["start_ns"]) - start) / SECOND,
            (row["end_ns"] - row["start_ns"]) / SECOND,
            f"phase {row['phase']}",
        )
        for _, row in phases.iterrows()
    ]
    for signal in signals:
        for what, stretches in (("missing", signal.holes), ("computed", signal.fills)):
            found += [
                (a / signal.rate_hz, (b - a) / signal.rate_hz, f"{what} {signal.label}")
                for a, b in zip(*stretches, strict=True)
            ]
    found = [(round(at, 6), None if last is None else round(last, 6), text) for at, last, text in found]
    return sorted((note for note in found if 0 <= note[0] < seconds), key=lambda note: (note[0], note[2]))
