"""Table ``cut``: which frames lie from the written start of a session to its written end.

A boot is cut at the number where its clock passes an edge. Lost frames lie evenly between neighbours::

    number    7    8    9   10   11   12        10 and 11 were lost
    received  |    |    |              |
    start                     ^                 the session begins with number 11
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.study import HUB, Study
from nodeday.core import timeline
from nodeday.core.arrays import Bools, Ints, groups
from nodeday.core.errors import ContractError
from nodeday.layouts import Kind
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, IN_PLACE
from nodeday.stages.clock.hub import Steady
from nodeday.stages.clock.maps import Map
from nodeday.storage import tables
from nodeday.storage.frames import FrameColumns, Key, first_capture, is_in

SECOND = 1_000_000_000
FAR_NS = 24 * 3600 * SECOND
"""A session that begins so long before its capture, or ends so long after it, is a slip of the pen. Choice of
this project."""


@dataclass(frozen=True)
class HubTime:
    """The hub's clock to UTC: a map for each of its runs that has one."""

    steady: Steady
    maps: Mapping[int, Map]

    @property
    def by_hand(self) -> bool:
        """Whether a written start, and no host mark, ties the clock to UTC."""
        return any(each.status == "start_by_hand" for each in self.maps.values())

    def utc_ns(self, rows: Ints, hub_ns: Ints) -> tuple[Ints, Bools]:
        """Return the UTC of stamps ``hub_ns`` (n,) of ``rows`` (n,), and which of them have one, (n,)."""
        run, steady_ns = self.steady.runs.of(rows), self.steady.steady_ns(rows, hub_ns)
        out, known = np.zeros(len(rows), np.int64), np.zeros(len(rows), np.bool_)
        for number, at in groups(run).items():
            if number in self.maps:
                out[at], known[at] = self.maps[number](steady_ns[at]), True
        return out, known


def cut(
    study: Study, session: str, streams: Mapping[Key, FrameColumns], clock: pd.DataFrame, hub: HubTime
) -> pd.DataFrame:
    """Return table ``cut``, empty where a session takes its capture as it is.

    Raises ContractError where no host mark says when the capture was, where an edge lies far outside of it,
    and where no frame of a node is inside.
    """
    edges = study.written_span(session)
    if edges == (None, None):
        return tables.empty(TABLES["cut"])
    if hub.by_hand:
        _refuse_undated(study, session)
        return tables.empty(TABLES["cut"])
    rows, spans = list[dict[str, Any]](), list[tuple[int, int]]()
    for key, columns in streams.items():
        instants = _instants(study, session, key, columns, clock, hub)
        for each, utc_ns in _of_stream(key, instants, edges):
            rows.append(each)
            if key[0] != HUB and len(utc_ns):
                spans.append((int(utc_ns.min()), int(utc_ns.max())))
    of_nodes = [row for row in rows if row["node"] != HUB]
    inside, untimed = (sum(row[name] for row in of_nodes) for name in ("inside", "untimed"))
    _refuse_outside(study, session, edges, spans, (inside, untimed))
    return _built(rows, edges)


def _built(rows: list[dict[str, Any]], edges: tuple[int | None, int | None]) -> pd.DataFrame:
    table, n = TABLES["cut"], len(rows)
    columns: dict[str, Any] = {name: [row[name] for row in rows] for name in (rows[0] if rows else ())}
    columns |= {
        name: pd.array([edge] * n, "Int64") for name, edge in zip(("start_ns", "end_ns"), edges, strict=True)
    }
    return tables.build(table, {name: columns[name] for name in table.names})


# --- when frames were -------------------------------------------------------------------------


@dataclass(frozen=True)
class _Instants:
    """When the first samples of a stream's frames were: by the node's clock, of the hub's by its stamps."""

    columns: FrameColumns
    kinds: tuple[Kind, ...]
    knots: Mapping[int, timeline.Knots]
    hub: HubTime

    @cached_property
    def _ticks(self) -> Ints:
        return np.asarray(self.columns["ticks"], np.int64)

    @cached_property
    def _kind(self) -> Ints:
        return np.asarray(self.columns["kind"], np.int64)

    @cached_property
    def _of_hub(self) -> tuple[Ints, Bools]:
        utc_ns, known = self.hub.utc_ns(self.columns["row"], self.columns["hub_ns"])
        known[first_capture(self.columns).stop :] = False
        return utc_ns, known

    def of_boot(self, boot: int, rows: Ints) -> tuple[Ints, Bools]:
        """Return the UTC of frames at ``rows`` (n,) of a boot, and which of them have one, (n,)."""
        if not self.kinds:
            utc_ns, known = self._of_hub
            return utc_ns[rows], known[rows]
        if boot not in self.knots:
            return np.zeros(len(rows), np.int64), np.zeros(len(rows), np.bool_)
        utc_ns = timeline.ticks_to_utc(self._ticks[rows], *self.knots[boot])
        lag_ns = np.full(len(rows), self.kinds[0].stamp_lag_ns)
        for kind in self.kinds[1:]:
            lag_ns[self._kind[rows] == kind.kind] = kind.stamp_lag_ns
        return utc_ns - lag_ns, np.ones(len(rows), np.bool_)


def _instants(
    study: Study, session: str, key: Key, columns: FrameColumns, clock: pd.DataFrame, hub: HubTime
) -> _Instants:
    node, stream = key
    if node == HUB:
        return _Instants(columns, (), {}, hub)
    maps = clock[(clock["node"] == node) & clock["stream"].isin(["*", stream])]
    knots = timeline.knots_by_boot(*(maps[name].to_numpy(np.int64) for name in ("boot", "ticks", "utc_ns")))
    return _Instants(columns, study.layout_of(session, node).kinds_of(stream), knots, hub)


# --- numbers of a boot ------------------------------------------------------------------------


def _of_stream(
    key: Key, instants: _Instants, edges: tuple[int | None, int | None]
) -> Iterator[tuple[dict[str, Any], Ints]]:
    """Give a row for each boot of a stream, with the instants that its cut rests on."""
    columns = instants.columns
    boot, seq, status = columns["boot"], columns["seq"], columns["status"]
    distinct, sound = is_in(status, DISTINCT), is_in(status, IN_PLACE)
    placed = ~is_in(status, ["unplaced"])
    for number, own in groups(boot).items():
        of_numbers = own[distinct[own]] if distinct[own].any() else own
        rows = own[sound[own]] if sound[own].any() else own[distinct[own]]
        rows = _in_order(rows, seq)
        utc_ns, known = instants.of_boot(number, rows)
        rows, utc_ns = rows[known], np.maximum.accumulate(utc_ns[known])
        all_of = int(seq[of_numbers].min()), int(seq[of_numbers].max()) + 1
        low, high = numbers_within(seq[rows], utc_ns, edges, all_of)
        counted = seq[own[placed[own]]] if len(rows) else seq[:0]
        before, after = int((counted < low).sum()), int((counted >= high).sum())
        counts = {"inside": len(counted) - before - after, "before": before, "after": after}
        counts["untimed"] = len(own) - len(counted)
        names = {"node": key[0], "stream": key[1], "boot": np.int32(number)}
        yield {**names, "seq_from": low, "seq_to": high, **counts}, utc_ns


def _in_order(rows: Ints, seq: NDArray[np.int64]) -> Ints:
    return np.asarray(rows[np.argsort(seq[rows], kind="stable")], np.int64)


def numbers_within(
    seq: Ints, utc_ns: Ints, edges: tuple[int | None, int | None], all_of: tuple[int, int]
) -> tuple[int, int]:
    """Return the numbers [from, to) of a boot that lie in [start, end).

    Its frames (n,) rise in ``seq`` and do not fall in ``utc_ns``. An edge that is None, or beyond the frames,
    leaves that end of ``all_of`` as it is. Without frames there is nothing in it: both are the first number.

    >>> numbers_within(np.array([7, 9, 12]), np.array([70, 90, 120]), (101, None), (7, 13))
    (11, 13)
    """
    if not len(seq):
        return all_of[0], all_of[0]
    low, high = (
        default if edge is None else _number_at(seq, utc_ns, edge, all_of)
        for edge, default in zip(edges, all_of, strict=True)
    )
    return low, max(low, high)


def _number_at(seq: Ints, utc_ns: Ints, edge_ns: int, all_of: tuple[int, int]) -> int:
    """Return the first number at or after an edge, in whole numbers."""
    right = int(np.searchsorted(utc_ns, edge_ns))
    if right == 0:
        return all_of[0]
    if right == len(seq):
        return all_of[1]
    (low, high), (begin, end) = (each[right - 1 : right + 1].tolist() for each in (seq, utc_ns))
    return int(low - (begin - edge_ns) * (high - low) // (end - begin))


# --- what cannot be cut -----------------------------------------------------------------------


def _refuse_undated(study: Study, session: str) -> None:
    """Raise ContractError where a start that only dates the capture would have to cut it."""
    row, where = study.session(session), f"session {session}"
    if row.end is not None:
        raise ContractError(
            f"no host mark says when the capture was, so it cannot be cut at the session's end {row.end}",
            where,
            "host marks in the capture",
            "Leave the end in config/sessions.tsv empty: a start alone dates the first frame, to a minute.",
        )
    shared = [
        name for name in study.sharing(session) if study.written_span(name) != study.written_span(session)
    ]
    if shared:
        raise ContractError(
            f"no host mark says when the capture was, and session {shared[0]} takes it with another start",
            where,
            "host marks in the capture",
            "Without them a capture can be one session only: take a row out of config/sessions.tsv.",
        )


def _refuse_outside(
    study: Study,
    session: str,
    edges: tuple[int | None, int | None],
    spans: list[tuple[int, int]],
    counts: tuple[int, int],
) -> None:
    """Raise ContractError where no frame of a node is inside, or an edge is far outside of the capture.

    ``counts`` are the frames inside, and those without a time in UTC.
    """
    if not spans:
        raise ContractError("no frame has a time in UTC", f"session {session}", "host marks around frames")
    zone, (start, end) = study.zone_of(session), edges
    first, last = min(each for each, _ in spans), max(each for _, each in spans)
    has = f"the capture's frames last from {_local(first, zone)} to {_local(last, zone)}"
    has += f", and {counts[1]} more have no host mark near them" if counts[1] else ""
    remedy = "Correct start and end in config/sessions.tsv."
    if not counts[0]:
        written = [f"{name} {_local(edge, zone)}" for name, edge in (("start", start), ("end", end)) if edge]
        found = f"no frame lies within {' and '.join(written)}"
        raise ContractError(found, f"session {session}", f"some; {has}", remedy)
    for name, edge, apart in (
        ("start", start, first - (first if start is None else start)),
        ("end", end, (last if end is None else end) - last),
    ):
        if edge is not None and apart > FAR_NS:
            found = f"{name} {_local(edge, zone)} is more than a day outside of the capture"
            raise ContractError(found, f"session {session}", f"an instant near it; {has}", remedy)


def _local(utc_ns: int, zone: ZoneInfo) -> str:
    """Return an instant in local time, to the second."""
    return datetime.fromtimestamp(utc_ns // SECOND, UTC).astimezone(zone).isoformat()
