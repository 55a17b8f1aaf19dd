"""A copy of the study for sharing: dates shifted, ages coarse, and no raw bytes.

Every instant of a participant is moved by one offset of whole weeks, so that intervals, the time of day in
UTC and the day of the week stay. Offsets are drawn from the system's source of randomness and kept in a
separate file; whoever has it can undo the shift, so it stays with the study. Stamps of the hub's clock begin
at zero in each session. Ages become bands of ten years, 90 and above one band (above 89 after the Safe Harbor
list of 45 CFR 164.514(b), from memory).

Not copied: captures, settings, frames and rejects (host marks hold the date in their bytes), the ledger,
pages, logs, the sources of calibrations (they are dated), and the features whose value gives an age away. All
texts are searched before the copy gets its name: see :mod:`nodeday.products.export.disclosure`.
"""

from __future__ import annotations

import csv
import secrets
import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core import atomic, tsv_io
from nodeday.core.arrays import Ints
from nodeday.core.errors import ContractError, SettingsError
from nodeday.products.export import disclosure, manifest, package
from nodeday.schemas import Column, Table
from nodeday.schemas.columns import YEAR_1969, YEAR_2200
from nodeday.storage import frames, inventory, tables
from nodeday.storage.inventory import TableFile

WEEK = 7 * 86_400 * 1_000_000_000
FEWEST, MOST = 53, 520
"""Weeks of a shift, always to earlier: more than a year, so that no season stays, at most ten."""
KEPT_BACK = ("frames", "rejects", "ledger")
SIGNALS = ("samples", "aligned")
OF_AGE = ("heart_rate_max_pct", "heart_rate_reserve_pct")
"""Features that give the age away: the rate divided by them is a function of the age in years."""
BAND = Column(
    "age_band", "name", "year", "age in a band of ten years; null where it is not known", nullable=True
)
Shift = tuple[int, int]
"""Offset in ns of a session's instants in UTC, and of its stamps of the hub's clock."""


def offsets_of(file: Path, participants: list[str], first_ns: Mapping[str, int]) -> dict[str, int]:
    """Return the offset in ns of each participant: from ``file``, or drawn and added to it.

    ``first_ns`` is the first instant of each participant. Raises ContractError where an offset would move
    it before 1969, SettingsError where ``file`` is no list of offsets.
    """
    known: dict[str, int] = {}
    if file.exists():
        try:
            with file.open(encoding="utf-8", newline="") as text:
                rows = list(csv.DictReader(text, delimiter="\t"))
            known = {row["participant"]: int(row["weeks"]) for row in rows}
        except (KeyError, ValueError, TypeError):
            raise SettingsError("is no list of offsets", str(file), "columns participant and weeks") from None
    for name in participants:
        if name not in known:
            known[name] = -(FEWEST + secrets.randbelow(MOST - FEWEST + 1))
        if first_ns.get(name, YEAR_2200) + known[name] * WEEK < YEAR_1969:
            raise ContractError(
                f"an offset of {known[name]} weeks leads before 1969",
                f"participant {name}",
                "a recording of after 1980",
            )
    lines = [(name, str(weeks)) for name, weeks in sorted(known.items())]
    atomic.write_text(file, tsv_io.dump(("participant", "weeks"), lines))
    file.chmod(0o600)
    return {name: known[name] * WEEK for name in participants}


def release(study: Study, sessions: list[str], target: Path, offsets: Path, signals: bool) -> list[str]:
    """Write the copy into the new folder ``target``; return sentences of caution.

    Raises SettingsError where the folder is not empty, where the offsets would lie in it, or where the
    code of a session holds a date; ContractError where the study is not finished, or where a text of the copy
    holds a date, a person or a path.
    """
    if not (study.results / "methods.json").is_file():
        raise ContractError("no data package", str(study.results), "a finished study", "Run `nodeday run`.")
    if target.exists() and any(target.iterdir()):
        raise SettingsError("is not empty", str(target), "a new folder")
    if target.resolve() in offsets.resolve().parents:
        raise SettingsError(f"offsets {offsets} lie inside the copy", str(target), "a file outside of it")
    if dated := [name for name in study.sessions if disclosure.discloses(name) == "a date"]:
        raise SettingsError(
            f"session {dated[0]} has a date in its code",
            "config/sessions.tsv",
            "codes without dates, in a study that is to be shared",
        )
    people = {name: row.participant for name, row in study.sessions.items()}
    participants = sorted({row.participant for row in study.participants})
    by_person = offsets_of(offsets, participants, _first_instants(study, people))
    shifts = {
        name: (by_person[person], -_first_stamp(study, name) if name in sessions else 0)
        for name, person in people.items()
    }
    partial = target.with_name(f".{target.name}.partial")
    shutil.rmtree(partial, ignore_errors=True)
    try:
        _fill(study, sessions, partial, shifts, signals)
        disclosure.refuse(partial, study.root)
        manifest.write_of_copy(partial, study, sessions)
    except BaseException:
        shutil.rmtree(partial, ignore_errors=True)
        raise
    if target.exists():
        target.rmdir()
    partial.rename(target)
    return _advice(study, signals)


def _fill(
    study: Study, sessions: list[str], target: Path, shifts: Mapping[str, Shift], signals: bool
) -> None:
    left = KEPT_BACK if signals else (*KEPT_BACK, *SIGNALS)
    listed = inventory.tables_of(study.results, sessions)
    kept = [file for file in listed if file.table.name.split("_")[0] not in left]
    for file in kept:
        _copy(file, target / file.path, shifts)
    copied = [inventory.table_file(target, file.path) for file in kept]
    package.write(target, study.file.study, study.file.title, copied)
    for name in ("methods.json", "methods.md"):
        shutil.copyfile(study.results / name, target / name)


def _first_instants(study: Study, people: Mapping[str, str]) -> dict[str, int]:
    rows = tables.read(tables.path(study.results, "sessions"), "sessions", ["session", "start_ns"])
    return {
        str(person): int(at)
        for person, at in rows["start_ns"].groupby(rows["session"].astype(str).map(people)).min().items()
    }


def _first_stamp(study: Study, session: str) -> int:
    """The earliest stamp of the hub's own clock in a session's tables, so that all may begin there."""
    stamps = (columns["hub_ns"].min() for columns in frames.columns_of(study.results, session).values())
    loss = tables.read(tables.path(study.results, "loss", session), "loss", ["minute_hub_ns"])
    return min(int(min(stamps)), int(loss["minute_hub_ns"].min()))


def is_instant(column: Column) -> bool:
    """Return whether a column holds instants in UTC, by its bounds."""
    return column.unit == "ns" and column.ge == YEAR_1969 and column.le == YEAR_2200


def _copy(source: TableFile, target: Path, shifts: Mapping[str, Shift]) -> None:
    """Write the file with its instants moved, under the contract of the copy: a band instead of an age.

    The features that give the age away are left out, as rows and as columns.
    """
    columns = tuple(
        BAND if column.name == "age_years" else column
        for column in source.table.columns
        if not column.name.startswith(OF_AGE)
    )
    table = replace(source.table, columns=columns)
    moved = (_moved(source, table, frame, shifts) for frame in tables.row_groups(source.full, source.table))
    tables.write(target, table, moved)


def _moved(source: TableFile, table: Table, frame: pd.DataFrame, shifts: Mapping[str, Shift]) -> pd.DataFrame:
    """A piece of a table with its instants moved, each row by the shift of its session."""
    changed: dict[str, Any] = {}
    if "feature" in frame:
        frame = frame[~frame["feature"].isin(OF_AGE)]
    if table.name == "calibration":
        changed["source"] = pd.Series(None, frame.index, dtype=object)  # the name of a bench record is dated
    if source.session or "session" in frame:
        names = [source.session] if source.session else frame["session"].astype(str)
        by_utc, by_hub = (np.array([shifts[str(name)][at] for name in names], np.int64) for at in (0, 1))
        for column in source.table.columns:
            if column.name == "start_utc":
                changed[column.name] = _moved_text(frame[column.name], by_utc)
            elif column.unit == "ns":
                changed[column.name] = frame[column.name] + (by_utc if is_instant(column) else by_hub)
    if "age_years" in frame:
        changed["age_band"] = [band(age) for age in frame["age_years"]]
    return tables.build(table, {name: changed.get(name, frame.get(name)) for name in table.names})


def _moved_text(text: pd.Series[str], by_ns: Ints) -> list[str]:
    at = text.str.removesuffix("Z").to_numpy("datetime64[ns]").astype(np.int64) + by_ns
    unit: Literal["s", "ns"] = "ns" if np.any(at % 1_000_000_000) else "s"
    return [f"{instant}Z" for instant in np.datetime_as_string(at.astype("datetime64[ns]"), unit=unit)]


def band(age: Any) -> str | None:
    """Return an age in years as a band of ten; None where it is not known.

    >>> band(34), band(7), band(93), band(None)
    ('30-39', '0-9', '90+', None)
    """
    if age is None or pd.isna(age):
        return None
    low = int(age) // 10 * 10
    return "90+" if low >= 90 else f"{low}-{low + 9}"


def _advice(study: Study, signals: bool) -> list[str]:
    """Cautions: ages that one participant has alone, and signals that a shift of dates does not hide."""
    bands = [band(row.age_years) for row in study.participants]
    lone = sorted({str(age) for age in bands if age and bands.count(age) == 1})
    cautions = []
    if lone:
        cautions.append(f"age band {', '.join(lone)} holds one participant, whom others may know by it")
    if signals:
        cautions.append("an ECG can tell one person from another: share signals only as your approval says")
    return cautions
