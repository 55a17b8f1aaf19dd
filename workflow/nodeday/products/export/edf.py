"""A session as one EDF+ file (EDF+C, written by edfio; Kemp and Olivan 2003, from memory).

The format has no missing value and one rate a signal. So a channel that changed its rate is a signal for
each rate, named in the label. A position without a sample is filled with the digital value -32768, which no
sample has. An annotation with onset and duration says whether samples are missing there, the stream had
another rate, or the session had not begun or was over; stretches of computed samples have one, too. Digital
values of measured samples are the counts of the converter as sent, where 16 bits hold them. Samples are put
on the raster of :mod:`.raster`, in records of :mod:`.edf_records`; the start of the file is in UTC, for the
format knows no zone.
"""

from __future__ import annotations

import datetime
import importlib
import warnings
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import pandas as pd

from nodeday.config.study import Study
from nodeday.core import atomic
from nodeday.core.errors import ContractError, SettingsError
from nodeday.products.export.edf_records import exact_file, records_for
from nodeday.products.export.edf_signal import EdfSignal, FileSpan, as_edfio, sent_rates, signal_of
from nodeday.products.export.raster import SECOND
from nodeday.storage import tables

Note = tuple[float, float, str]
"""Onset and duration in s, and text."""
YEARS = range(1985, 2085)
"""That the format can name."""


def write(study: Study, session: str, target: Path) -> list[dict[str, object]]:
    """Write ``<session>.edf`` into ``target``; return a row of counts for each signal.

    A session without samples has no file, and no row.
    Raises SettingsError where edfio is not installed or the format cannot hold the rates together,
    ContractError where a table is absent or the session lies outside the years of the format.
    """
    edfio = library("edfio")
    span = _span(study, session)
    sent = list(sent_rates(study, session)) if span else []
    if span is None or not sent:
        return []
    records = records_for([one.rate_hz for one in sent for _ in one.kind.channels])
    seconds = span.length(records.seconds)
    rated = [(one, channel, records.rates[one.rate_hz]) for one in sent for channel in one.kind.channels]
    signals = [
        signal_of(study, session, one, channel, span, rate, int(seconds * rate))
        for one, channel, rate in rated
    ]
    at = datetime.datetime.fromtimestamp(span.start // SECOND, datetime.UTC)
    if at.year not in YEARS:
        raise ContractError(
            f"begins in {at.year}",
            session,
            "a year from 1985 to 2084, as EDF has",
            "See its start, or its marks.",
        )
    file = exact_file(edfio)(
        [as_edfio(edfio, signal) for signal in signals],
        patient=edfio.Patient(code=study.session(session).participant),
        recording=edfio.Recording(startdate=at.date(), equipment_code="nodeday"),
        starttime=at.time(),
        data_record_duration=float(records.seconds),
        annotations=[
            edfio.EdfAnnotation(*note) for note in _annotations(study, session, signals, span, seconds)
        ],
    )
    with atomic.replacing(target / f"{session}.edf") as partial:
        file.write(partial)
    return [
        {
            "session": session,
            "signal": signal.label,
            "rate_hz": float(signal.rate),
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


def _span(study: Study, session: str) -> FileSpan | None:
    """The session and the full second in which it begins; None where it has no begin in UTC."""
    rows = tables.read(tables.path(study.results, "sessions"), "sessions", ["session", "start_ns", "end_ns"])
    row = rows[rows["session"] == session].iloc[0]
    if pd.isna(row["start_ns"]):
        return None
    first, end = int(row["start_ns"]), int(row["end_ns"])
    return FileSpan(first // SECOND * SECOND, first, end)


def _annotations(
    study: Study, session: str, signals: Sequence[EdfSignal], span: FileSpan, seconds: Fraction
) -> list[Note]:
    """Phases, the time outside the session, and the stretches of each signal, in order of time."""
    phases = tables.read(tables.path(study.results, "phases"), "phases")
    phases = phases[(phases["session"] == session) & (phases["start_ns"] < phases["end_ns"])]
    file_end = span.start + int(seconds * SECOND)
    spans = [
        (int(row["start_ns"]), int(row["end_ns"]), f"phase {row['phase']}") for _, row in phases.iterrows()
    ]
    spans += [
        (begin, end, "outside the session")
        for begin, end in ((span.start, span.first), (span.end, file_end))
        if begin < end
    ]
    found = [((begin - span.start) / SECOND, (end - begin) / SECOND, text) for begin, end, text in spans]
    for signal in signals:
        rate = float(signal.rate)
        for what, stretches in signal.stretches.items():
            found += [
                (a / rate, (b - a) / rate, f"{what} {signal.label}") for a, b in zip(*stretches, strict=True)
            ]
    found = [(round(at, 6), round(length, 6), text) for at, length, text in found]
    return sorted((note for note in found if 0 <= note[0] < seconds), key=lambda note: (note[0], note[2]))
