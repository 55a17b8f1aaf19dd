"""A session's epochs laid out as matrices: a row for each feature of each stream, a column for each epoch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Floats, Ints

NUMBERS = ("value", "coverage", "low", "high", "bias")


class FeatureSeries(NamedTuple):
    """Whose values they are."""

    node: str
    placement: str
    channel: str
    feature: str


@dataclass(frozen=True)
class EpochMatrix:
    """Epochs (n,) in order, with the k series in the table's order: ``listed`` says which epochs the table
    holds of each series, ``numbers`` its columns of numbers by name, NaN for a null, (k, n) each.
    """

    number: Ints
    start_ns: Ints
    end_ns: Ints
    series: list[FeatureSeries]
    listed: Bools
    numbers: dict[str, Floats]

    @property
    def value(self) -> Floats:
        return self.numbers["value"]

    @property
    def coverage(self) -> Floats:
        return self.numbers["coverage"]

    @property
    def valid(self) -> Floats:
        """Share (k,) of each series' epochs that have a value."""
        return np.asarray((~np.isnan(self.value)).sum(axis=1) / self.listed.sum(axis=1), np.float64)

    def of(self, node: str) -> Ints:
        """Places of a node's series."""
        return np.flatnonzero([each.node == node for each in self.series])


def laid_out(rows: pd.DataFrame) -> EpochMatrix:
    """Rows of table ``epochs``, whose key makes each place unique."""
    keys = list(FeatureSeries._fields)
    series = [FeatureSeries(*map(str, each)) for each in rows[keys].drop_duplicates().itertuples(index=False)]
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
