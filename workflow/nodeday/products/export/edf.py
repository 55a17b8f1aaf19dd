"""A session as one EDF+ file (EDF+C, written by edfio; Kemp and Olivan 2003, from memory).

The format has no missing value and one rate a signal. So every hole holds the digital value -32768, which
nothing else holds, and is an annotation with its onset and duration; so is every stretch of computed
samples. Digital values of measured samples are the converter's counts as sent, where 16 bits hold them.
Samples stand on the raster of ``raster``; the file's start is in UTC, for no zone can be written down.
"""

from __future__ import annotations

import datetime
import importlib
import warnings
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
from nodeday.products.export.raster import SECOND, RasterSamples, place
from nodeday.storage import samples, tables

NOTHING, LEAST, MOST = -32768, -32767, 32767
"""Digital value of a hole, and the range that is left for samples."""
RECEIVED = ("measured", "recovered")


@dataclass(frozen=True)
class EdfSignal:
    """A channel on its raster: digital values (n,), the physical values of -32768 and 32767, and what of
    it was ``measured``, ``computed`` or ``missing`` (places), ``left_out`` or taken ``twice`` (samples).
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

    Raises SettingsError where edfio is not installed.
    """
    edfio = library("edfio")
    nodes = tables.read(tables.path(study.results, "sessions"), "sessions", ["session", "start_ns", "end_ns"])
    own = nodes[nodes["session"] == session].iloc[0]
    start = int(own["start_ns"]) // SECOND * SECOND
    seconds = -(-(int(own["end_ns"]) - start) // SECOND)
    signals = [
        _signal(study, session, node.node, kind, channel, start, seconds)
        for node, kind in study.streams_of(session)
        for channel in kind.channels
    ]
    told = [each for each in signals if each is not None]
    notes = _annotations(study, session, told, start, seconds)
    at = datetime.datetime.fromtimestamp(start // SECOND, datetime.UTC)
    file = edfio.Edf(
        [_edf_signal(edfio, each) for each in told],
        patient=edfio.Patient(code=study.session(session).participant),
        recording=edfio.Recording(startdate=at.date(), equipment_code="nodeday"),
        starttime=at.time(),
        data_record_duration=1,
        annotations=[edfio.EdfAnnotation(*each) for each in notes],
    )
    with atomic.replacing(target / f"{session}.edf") as partial:
        file.write(partial)
    return [
        {
            "session": session,
            "signal": each.label,
            "rate_hz": each.rate_hz,
            "places": len(each.digital),
            "exact_counts": "yes" if each.exact else "no",
            **each.counted,
        }
        for each in told
    ]


def library(name: str) -> Any:
    """An optional library, or SettingsError that says how to get it."""
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


def _signal(
    study: Study, session: str, node: str, kind: Kind, channel: Channel, start: int, seconds: int
) -> EdfSignal | None:
    columns = ["utc_ns", "raw", "value", "origin"]
    rows = samples.read(study.results, session, node, kind, columns, channel=channel.name)
    if not len(rows):
        return None
    rows = rows[rows["origin"] != "missing"].sort_values("utc_ns", kind="stable")
    rate = kind.rate_hz or 1.0
    placed = place(rows["utc_ns"].to_numpy(np.int64), start, round(seconds * rate), rate)
    digital, physical, exact = _digital(rows, placed, kind, channel)
    computed = placed.filled.copy()
    computed[placed.filled] = ~rows["origin"].isin(RECEIVED).to_numpy()[placed.sample[placed.filled]]
    holes, fills = runs(~placed.filled), runs(computed)
    counted = {
        "measured": int((placed.filled & ~computed).sum()),
        "computed": int(computed.sum()),
        "missing": int((~placed.filled).sum()),
        "left_out": placed.left_out(len(rows)),
        "twice": placed.twice,
    }
    label = f"{node} {channel.name}"
    return EdfSignal(label, channel.unit, rate, digital, physical, exact, holes, fills, counted)


def _digital(
    rows: pd.DataFrame, placed: RasterSamples, kind: Kind, channel: Channel
) -> tuple[NDArray[np.int16], tuple[float, float], bool]:
    """Digital values of the raster, the physical values of both ends of 16 bits, and whether measured
    samples are the counts as sent; where these do not fit, their range is spread over what does.
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
    digital = np.full(len(placed.sample), NOTHING, np.int16)
    digital[placed.filled] = counts[placed.sample[placed.filled]]
    return digital, (NOTHING * scale + offset, MOST * scale + offset), bool(exact)


def _edf_signal(edfio: Any, one: EdfSignal) -> Any:
    """Physical ends have eight characters in the format; they are cut to that, the digital values are not."""
    note = "counts as sent" if one.exact else "counts rescaled"
    return edfio.EdfSignal.from_digital(
        one.digital,
        one.rate_hz,
        label=one.label[:16],
        physical_dimension=one.unit[:8],
        physical_range=tuple(_eight(each) for each in one.physical),
        digital_range=(NOTHING, MOST),
        transducer_type="body-worn node",
        prefiltering=f"none; {note}; -32768 is no sample",
    )


def _eight(value: float) -> float:
    """The nearest number that eight characters can say."""
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
    own = phases[(phases["session"] == session) & (phases["start_ns"] < phases["end_ns"])]
    found: list[tuple[float, float | None, str]] = [
        (
            (int(row["start_ns"]) - start) / SECOND,
            (row["end_ns"] - row["start_ns"]) / SECOND,
            f"phase {row['phase']}",
        )
        for _, row in own.iterrows()
    ]
    for one in signals:
        for what, stretches in (("missing", one.holes), ("computed", one.fills)):
            found += [
                (a / one.rate_hz, (b - a) / one.rate_hz, f"{what} {one.label}")
                for a, b in zip(*stretches, strict=True)
            ]
    found = [(round(at, 6), None if last is None else round(last, 6), text) for at, last, text in found]
    return sorted((each for each in found if 0 <= each[0] < seconds), key=lambda each: (each[0], each[2]))
