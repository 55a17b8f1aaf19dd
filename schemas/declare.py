"""What a column and a table are: the vocabulary in which every contract is written."""

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
"""Every unit a declared column may carry; ``1`` is a pure ratio, ``mixed`` is told by another column or,
in a template, by the layout."""


@dataclass(frozen=True)
class Column:
    """One column, declared once.

    ``ge`` and ``le`` bound the values (both inclusive), ``codes`` is the closed list of a
    ``code`` column with the meaning of each code. A ``stated`` unit is a layout's own word, from no list.
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
        """The same column with some of its properties changed."""
        return replace(self, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class Table:
    """One table: what a row is, its columns in order, its key and what must hold across rows.

    ``template`` columns stand for one column a channel; their names hold ``{channel}``.
    ``increasing`` names a column that never falls within each group of ``within``.
    """

    name: str
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    increasing: str | None = None
    within: tuple[str, ...] = ()
    template: tuple[Column, ...] = ()
    notes: tuple[str, ...] = field(default=())

    def __getitem__(self, column: str) -> Column:
        for each in self.columns:
            if each.name == column:
                return each
        raise KeyError(f"table {self.name} has no column {column!r}")

    @property
    def names(self) -> list[str]:
        return [column.name for column in self.columns]

    def for_channels(self, units: Mapping[str, str]) -> Table:
        """The table with its template columns written out for each channel, in its unit in ``units``."""
        extra = tuple(
            column.but(
                name=column.name.format(channel=channel),
                unit=unit if column.unit == "mixed" else column.unit,
                stated=True,
            )
            for channel, unit in units.items()
            for column in self.template
        )
        return replace(self, columns=self.columns + extra, template=())
