"""What a column, a table and a feature are: the vocabulary in which every contract is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

Dtype = Literal[
    "int8", "int16", "int32", "int64", "uint8", "float32", "float64", "name", "code", "text", "binary"
]
"""``name`` is text that repeats (a node, a channel), ``code`` is text from a closed list."""

UNITS = frozenset(
    {
        "",
        "1",
        "ns",
        "ms",
        "s",
        "min",
        "h",
        "byte",
        "frame",
        "sample",
        "tick",
        "count",
        "ppm",
        "dBm",
        "V",
        "V/h",
        "mV",
        "g",
        "mg",
        "degC",
        "bpm",
        "mixed",
        "%",
        "deg",
        "Hz",
        "beat",
        "year",
        "mixed/min",
        "ms2",
        "epoch",
        "breath/min",
        "step/min",
        "degC/min",
        "mg/degC",
    }
)
"""Every unit that a declared column may carry. ``1`` is a pure ratio. ``mixed`` is given by another column,
or by the layout in a template."""


@dataclass(frozen=True)
class Column:
    """One column, declared once, with the rules for its values.

    ``ge`` and ``le`` bound the values, both inclusive. ``nullable`` allows nulls; in a column of floats, NaN
    is a null. ``codes`` is the closed list of a ``code`` column, with the meaning of each code. ``stated``
    marks a unit that a layout gives, which need not be on the list of units.
    """

    name: str
    dtype: Dtype
    unit: str
    meaning: str
    ge: float | None = None
    le: float | None = None
    nullable: bool = False
    codes: Mapping[str, str] | None = None
    stated: bool = field(default=False, compare=False)

    def __post_init__(self) -> None:
        if self.unit not in UNITS and not self.stated:
            raise ValueError(f"column {self.name}: unit {self.unit!r} is not on the list of units")
        if (self.dtype == "code") != (self.codes is not None):
            raise ValueError(f"column {self.name}: codes belong to a column of dtype 'code'")

    def but(self, **changes: object) -> Column:
        """Return a copy of the column with some of its properties changed."""
        return replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class Table:
    """One table: what a row is, its columns in order, and the rules that hold across columns or rows.

    No two rows have the same values in all columns of ``key``. ``increasing`` names a column that never falls
    within each group of rows that have the same values in the columns ``within``. ``either_or`` holds pairs
    of columns of which each row has exactly one: a value, or the reason why there is none. ``template``
    columns stand for one column a channel, or a field of a layout; their names hold ``{channel}`` or
    ``{field}``.
    """

    name: str
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    increasing: str | None = None
    within: tuple[str, ...] = ()
    either_or: tuple[tuple[str, str], ...] = ()
    template: tuple[Column, ...] = ()
    notes: tuple[str, ...] = field(default=())

    def __getitem__(self, name: str) -> Column:
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"table {self.name} has no column {name!r}")

    @property
    def names(self) -> list[str]:
        return [column.name for column in self.columns]

    def for_channels(self, units: Mapping[str, str]) -> Table:
        """Return the table with its template columns written out for each channel of ``units``."""
        written_out = tuple(
            column.but(
                name=column.name.format(channel=channel, field=channel),
                unit=unit if column.unit == "mixed" else column.unit,
                stated=True,
            )
            for channel, unit in units.items()
            for column in self.template
        )
        return replace(self, columns=self.columns + written_out, template=())


@dataclass(frozen=True)
class Feature:
    """A feature of an epoch: unit, meaning, formula and source, and what it needs to be valid."""

    name: str
    unit: str
    meaning: str
    formula: str
    source: str
    needs: str
