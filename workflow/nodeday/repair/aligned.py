"""Table ``aligned`` from the finished table ``samples``, an hour or so at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday import tables
from nodeday.repair.align import SECOND, grid, grid_range, on_grid
from nodeday.schemas import TABLES, Table, codes
from nodeday.settings import Study

ORIGINS = pd.CategoricalDtype(list(codes.ORIGIN))
WINDOW = 500_000
"""Instants of the grid held in memory at a time."""


@dataclass(frozen=True)
class Source:
    """A channel that has samples: its rate, and its first and last instant."""

    node: str
    channel: str
    rate_hz: float
    first_ns: int
    last_ns: int

    @property
    def column(self) -> str:
        return f"{self.node}_{self.channel}"

    @property
    def period_ns(self) -> float:
        return SECOND / self.rate_hz


def write(study: Study, session: str, sources: list[Source]) -> None:
    """Write the grid that covers all ``sources``; every value keeps the origin of its neighbours."""
    table = TABLES["aligned"].for_channels([source.column for source in sources])
    tables.write(
        tables.path(study.results, "aligned", session), table, _windows(study, session, sources, table)
    )


def _windows(study: Study, session: str, sources: list[Source], table: Table) -> Iterator[pd.DataFrame]:
    rate_hz = study.file.grid.rate_hz
    first, last = min(each.first_ns for each in sources), max(each.last_ns for each in sources)
    start, end = grid_range(first, last, rate_hz)
    yield tables.empty(table)  # so that a session shorter than one period still has its table
    for k in range(start, end, WINDOW):
        at = grid(k, min(k + WINDOW, end), rate_hz)
        columns: dict[str, object] = {"utc_ns": at}
        for source in sources:
            samples = _near(study, session, source, int(at[0]), int(at[-1]))
            value, origin = on_grid(
                at, samples["utc_ns"].to_numpy(), samples["value"].to_numpy(),
                samples["origin"].cat.codes.to_numpy().astype(np.int8), source.period_ns,
            )  # fmt: skip
            columns[source.column] = value
            columns[f"{source.column}_origin"] = pd.Categorical.from_codes(origin, dtype=ORIGINS)
        yield tables.build(table, columns)


def _near(study: Study, session: str, source: Source, first_ns: int, last_ns: int) -> pd.DataFrame:
    """The channel's samples from two periods before to two periods after the window, in time order."""
    margin = int(np.ceil(2 * source.period_ns))
    within = [
        ("node", "==", source.node), ("channel", "==", source.channel),
        ("utc_ns", ">=", first_ns - margin), ("utc_ns", "<=", last_ns + margin),
    ]  # fmt: skip
    path = tables.path(study.results, "samples", session)
    rows = tables.read(path, "samples", ["utc_ns", "value", "origin"], within)
    # Where a node restarted, the maps of two boots may overlap by their uncertainty.
    return rows.sort_values("utc_ns", kind="stable")
