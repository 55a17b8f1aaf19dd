"""The column of times: its unit, since when it counts, and the step in which it is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np
import pyarrow as arrow

from nodeday.cli.init.recordings.numbers import decimals_of, epoch_unit
from nodeday.cli.init.recordings.roles import words_of
from nodeday.cli.init.recordings.source import Source, numbers_of
from nodeday.core.arrays import Ints
from nodeday.core.errors import ContractError, SettingsError
from nodeday.layouts.recording_columns import UNITS_NS
from nodeday.stages.frames.rowfile import RowBatch

Unit = Literal["s", "ms", "us", "ns", "iso"]
UNIT_WORDS: Mapping[str, str] = {
    "s": "s", "sec": "s", "seconds": "s", "sekunden": "s", "ms": "ms", "millis": "ms", "us": "us", "µs": "us",
    "micros": "us", "ns": "ns",
}  # fmt: skip
FINEST_NS = 1_000_000
"""Step of Parquet's timestamps where they show a coarser one: a clock of whole seconds is rare, and times
that a sample clock made fall on whole steps by themselves. A choice of this project."""


@dataclass
class TimeFound:
    """What a column of times is; ``unsure`` says in words what nothing tells."""

    column: str
    unit: Unit
    since: Literal["utc", "start"] | None
    needs_zone: bool
    resolution_ns: int
    how: str
    unsure: str = ""
    zone: str | None = None

    def nanoseconds(self, rows: RowBatch) -> Ints:
        """Return the times of rows in nanoseconds, (n,); raise ContractError with the line of a wrong one."""
        if self.unit == "iso":
            return rows.instants_ns(
                self.column, self.zone or ("UTC" if self.needs_zone else None), strict=True
            )
        return rows.numbers_ns(self.column, UNITS_NS[self.unit])


def find_time(source: Source, column: str, given_unit: str = "") -> TimeFound:
    """Return what the times of a file are; raise SettingsError where they are no numbers and no ISO 8601.

    ``given_unit`` is that of numbers which count since some start.
    """
    kind = source.head.table[column].type
    if arrow.types.is_timestamp(kind):
        return _timestamps(source, column, kind)
    numbers = numbers_of(source.head, column)
    if numbers is None:
        return _iso(source, column)
    values, there = numbers
    if not there.all():
        raise SettingsError(
            f"{column} is empty", source.head.where(int(np.argmax(~there))), "a time in every row"
        )
    unit, since, how, unsure = epoch_unit(values), "utc", "", ""
    if unit:
        how = f"numbers of the size of {unit} since 1970"
    else:
        since = "start"
        named = [UNIT_WORDS[word] for word in words_of(column) if word in UNIT_WORDS]
        if given_unit:
            unit, how = given_unit, "numbers since some start, in the unit that was given"
        elif named:
            unit, how = named[-1], "numbers since some start, the unit by the column's name"
        else:
            unit = "s" if (values % 1 != 0).any() else "ms"
            how, unsure = "numbers since some start", f"nothing tells the unit of {column}"
    resolution = _written_step(source, column, UNITS_NS[unit])
    return TimeFound(
        column, cast(Unit, unit), cast(Literal["utc", "start"], since), False, resolution, how, unsure
    )


def _written_step(source: Source, column: str, unit_ns: int) -> int:
    """Return the step of numbers by the decimals that are written, in nanoseconds."""
    if source.text is not None:
        texts = source.head.table[column].to_pylist()
        decimals = max(len(text.partition(source.decimal)[2]) for text in texts if "e" not in text.lower())
    else:
        numbers = numbers_of(source.head, column)
        assert numbers is not None
        decimals = 0
        if arrow.types.is_floating(source.head.table[column].type):
            found = decimals_of(numbers[0] - np.floor(numbers[0][0]))
            decimals = 6 if found is None else found
    step = unit_ns
    for _ in range(decimals):
        step = max(step // 10, 1)
    return step


def _timestamps(source: Source, column: str, kind: arrow.DataType) -> TimeFound:
    instants = source.head.table[column].cast(arrow.timestamp("ns", kind.tz)).cast(arrow.int64()).to_numpy()
    step = FINEST_NS
    while step > 1 and (instants % step).any():
        step //= 10
    how = "timestamps of Parquet" + (", in UTC" if kind.tz else ", without a zone")
    return TimeFound(column, "iso", None, kind.tz is None, step, how)


def _iso(source: Source, column: str) -> TimeFound:
    texts = [text or "" for text in source.head.table[column].to_pylist()]
    places = max(len(text.partition(".")[2].rstrip("Zz").split("+")[0].split("-")[0]) for text in texts)
    step = 10 ** max(9 - places, 0)
    for needs_zone in (False, True):
        found = TimeFound(column, "iso", None, needs_zone, step, "ISO 8601")
        try:
            found.nanoseconds(source.head)
        except ContractError as error:
            last = error
            continue
        found.how += ", without an offset" if needs_zone else ", with an offset from UTC"
        return found
    raise SettingsError(
        last.found, last.where, "a number or ISO 8601, such as 2026-07-14T05:00:00.250Z", last.remedy
    )
