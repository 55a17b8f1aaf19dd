"""A session's epochs as matrices: a row for each feature of each stream, a column for each epoch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Floats, Ints

NUMBERS = ("value", "coverage", "low", "high", "bias")
"""Columns of numbers of table ``epochs``."""


class FeatureSeries(NamedTuple):
    """The node, placement and channel that values are of, and their feature."""

    node: str
    placement: str
    channel: str
    feature: str


@dataclass(frozen=True)
class EpochMatrix:
    """Epochs (n,) of a session in order, with its k series in the order of the table.

    ``listed`` (k, n) are the epochs that the table holds of each series, ``numbers`` its columns of numbers
    by name, NaN for a null, (k, n) each.
    """

    number: Ints
    start_ns: Ints
    end_ns: Ints
    series: list[FeatureSeries]
    listed: Bools
    numbers: dict[str, Floats]

    @property
    def value(self) -> Floats:
        """Values (k, n)."""
        return self.numbers["value"]

    @property
    def coverage(self) -> Floats:
        """Coverage (k, n) of the values."""
        return self.numbers["coverage"]

    @property
    def valid(self) -> Floats:
        """Share (k,) of each series' epochs that have a value."""
        return np.asarray((~np.isnan(self.value)).sum(axis=1) / self.listed.sum(axis=1), np.float64)

    def of(self, node: str) -> Ints:
        """Return the indices (j,) of a node's series."""
        return np.flatnonzero([series.node == node for series in self.series])


def epoch_matrix(rows: pd.DataFrame) -> EpochMatrix:
    """Return the ``rows`` of table ``epochs`` of one session as matrices, whatever their order."""
    keys = list(FeatureSeries._fields)
    distinct = rows[keys].drop_duplicates().itertuples(index=False)
    series = [FeatureSeries(*map(str, key)) for key in distinct]
    number, first, column = np.unique(
        rows["epoch"].to_numpy(np.int64), return_index=True, return_inverse=True
    )
    row = rows.groupby(keys, observed=True, sort=False).ngroup().to_numpy()
    listed = np.zeros((len(series), len(number)), np.bool_)
    listed[row, column] = True
    numbers = {name: np.full(listed.shape, np.nan) for name in NUMBERS}
    for name, cells in numbers.items():
        cells[row, column] = rows[name].to_numpy(np.float64)
    start_ns, end_ns = (rows[name].to_numpy(np.int64)[first] for name in ("start_ns", "end_ns"))
    return EpochMatrix(number, start_ns, end_ns, series, listed, numbers)
