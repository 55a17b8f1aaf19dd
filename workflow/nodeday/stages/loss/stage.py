"""Stage `loss`: received frames in; gaps and their account by minute, session and signal out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core.threads import one_thread
from nodeday.layouts.recording import RecordedLayout
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES
from nodeday.stages.loss.battery import of_node
from nodeday.stages.loss.causes import Silences
from nodeday.stages.loss.gaps import find_gaps
from nodeday.stages.loss.hub import HubRuns
from nodeday.stages.loss.minutes import LOST, by_minute, lost_frames
from nodeday.stages.loss.part import StreamPart
from nodeday.stages.loss.silence import silences
from nodeday.stages.loss.statistics import Frames, of_stream
from nodeday.stages.loss.streams import SessionFrames, StreamFrames, StreamTiming, session_frames
from nodeday.storage import frames, session_cut, tables
from nodeday.storage.frames import STATUS, FrameColumns, Key, is_in
from nodeday.storage.ledger import Ledger
from nodeday.storage.session_cut import SessionCut

NAMES = ("gaps", "loss", "radio", "bursts", "signal", "battery")
STREAM = ["node", "stream"]


class BootRange(NamedTuple):
    """Numbers [first, stop) of a boot of a stream in the session, and how many of them were received."""

    node: str
    stream: str
    boot: int
    first: int
    stop: int
    received: int


@one_thread()
def run(study: Study, session: str) -> None:
    """Write ``gaps``, ``loss``, ``radio``, ``bursts``, ``signal`` and ``battery``.

    Raises ContractError where their counts do not agree.
    """
    streams = frames.columns_of(study.results, session)
    runs = HubRuns.of(frames.hub_runs(study.results, session))
    cut = session_cut.read(study.results, session, study.is_cut(session))
    received = session_frames(streams, runs, paces(study, session), cut)
    found, boots = account(received, study.file.battery.empty_v)
    for name, table in found.items():
        tables.write(tables.path(study.results, name, session), TABLES[name], table)
    balance(Ledger("loss", session), _by_status(streams, cut), boots, found).close(study.results)


def _by_status(streams: Mapping[Key, FrameColumns], cut: SessionCut | None) -> dict[str, int]:
    """Count the frames of each status, and as ``outside`` those that are placed but not in the session."""
    counts, outside = np.zeros(len(STATUS), np.int64), 0
    for key, own in streams.items():
        status = own["status"]
        if cut is not None:
            placed = is_in(status, (*DISTINCT, *SECOND_COPIES))
            left_out = placed & ~cut.of(key).hold(own["boot"], own["seq"])
            status, outside = status[~left_out], outside + int(left_out.sum())
        counts += np.bincount(status, minlength=len(STATUS))
    return dict(zip(STATUS, counts.tolist(), strict=True)) | {"outside": outside}


def paces(study: Study, session: str) -> dict[tuple[str, str], StreamTiming]:
    """Return what the layout says of each stream that a node may send."""
    found: dict[tuple[str, str], StreamTiming] = {}
    for node in study.nodes_of(session).values():
        layout = study.layout_of(session, node.node)
        counter = layout.field("sequence")
        seq = 1 << (counter.bits if counter else 62)
        for kind in layout.streams:
            kinds = layout.kinds_of(kind.stream)
            periods = {each.kind: each.period_s for each in kinds if len(kinds) > 1}
            ticks = layout.tick_range(kind.stream), layout.tick_hz(kind.stream)
            made = isinstance(layout, RecordedLayout) and not kind.channels
            fields = layout.has_ticks, layout.field("boot") is not None, made
            found[node.node, kind.stream] = StreamTiming(kind.period_s, seq, *ticks, *fields, periods)
    return found


def account(session: SessionFrames, empty_v: float) -> tuple[Frames, list[BootRange]]:
    """Return the stage's tables by name, and all boots by stream.

    Silences and causes rest on the frames of the capture; what is counted is in the session.
    """
    parts: dict[str, list[Any]] = defaultdict(list)
    silent = silences(session)
    for node in session.nodes:
        for name, part in _parts(session.streams_of(node), session, silent, empty_v):
            parts[name].append(part)
    return {name: _table(name, parts[name]) for name in NAMES}, parts["boots"]


def _parts(
    node: list[StreamFrames], session: SessionFrames, silent: Silences, empty_v: float
) -> Iterator[tuple[str, Any]]:
    """Give data frames or rows of each table about a node, with the table's name."""
    inside = []
    for own in node:
        part = StreamPart.of(own, find_gaps(own, node, session, silent), session.cut)
        numbers = part.inside.numbers
        if not len(numbers.boot):
            continue
        inside.append(part.inside)
        yield "gaps", part.kept
        lost = lost_frames(own, part.gaps[part.gaps["extent"] == "known"])
        yield "loss", by_minute(part.inside, lost.take(numbers.hold(lost.boot, lost.seq)))
        for name, rows in of_stream(part, session).items():
            yield from ((name, row) for row in rows)
        yield from (("boots", boot) for boot in _boots(part.inside))
    row = of_node(inside, session, empty_v) if any(len(each.seq) for each in inside) else None
    yield from [("battery", row)] if row else []


def _boots(own: StreamFrames) -> Iterator[BootRange]:
    """Give the numbers of each boot of a stream that are in the session, and how many were received."""
    numbers = own.numbers
    received = np.searchsorted(own.boot, numbers.boot + 1) - np.searchsorted(own.boot, numbers.boot)
    columns = (numbers.boot, numbers.first, numbers.stop, received)
    for boot, first, stop, count in zip(*(each.tolist() for each in columns), strict=True):
        yield BootRange(own.node, own.stream, boot, first, stop, count)


def _table(name: str, parts: list[Any]) -> pd.DataFrame:
    """Return a table of its parts, which are data frames or rows."""
    table = TABLES[name]
    if not parts:
        return tables.empty(table)
    if isinstance(parts[0], pd.DataFrame):
        frame = pd.concat(parts, ignore_index=True)
        return tables.build(table, {column: frame[column] for column in table.names})
    columns: dict[str, Any] = {column.name: [row[column.name] for row in parts] for column in table.columns}
    columns |= {
        column.name: pd.array(columns[column.name], "Int64")
        for column in table.columns
        if column.nullable and column.dtype == "int64"
    }
    return tables.build(table, columns)


def balance(ledger: Ledger, status: dict[str, int], boots: list[BootRange], found: Frames) -> Ledger:
    """Count every frame of the table, every number of a boot and every lost frame at each checkpoint.

    ``status`` is how many frames of the table in the session have each status, and how many are outside.
    """
    gaps, loss, radio = found["gaps"], found["loss"], found["radio"]
    apart = {code: n for code, n in status.items() if n and code not in (*DISTINCT, *SECOND_COPIES)}
    ledger.add(
        "rows",
        "frames",
        sum(status.values()),
        received=int(loss["received"].sum()),
        duplicates=int(loss["duplicates"].sum()),
        **apart,
    )
    lost = gaps.groupby([*STREAM, "boot"], observed=True)["frames"].sum()
    for own in boots:
        missing = int(lost.get((own.node, own.stream, own.boot), 0))
        ledger.add(
            "frames",
            f"{own.node}/{own.stream} boot {own.boot}",
            own.stop - own.first,
            received=own.received,
            lost=missing,
        )
    runs = found["bursts"].assign(lost=found["bursts"]["length"] * found["bursts"]["count"])
    for node, stream in dict.fromkeys((own.node, own.stream) for own in boots):
        parts_of = {
            name: table[(table["node"] == node) & (table["stream"] == stream)]
            for name, table in {**found, "bursts": runs}.items()
            if "stream" in table
        }
        scope, of_minutes, row = f"{node}/{stream}", parts_of["loss"], parts_of["radio"]
        parts = {name.removeprefix("lost_"): int(of_minutes[name].sum()) for name in LOST}
        ledger.add("lost frames", scope, int(parts_of["gaps"]["frames"].sum()), **parts)
        ledger.add(
            "lost on the air", scope, int(row["lost_radio"].sum()), runs=int(parts_of["bursts"]["lost"].sum())
        )
    ledger.add(
        "expected frames", "session", int(radio["expected"].sum()), minutes=int(loss["expected"].sum())
    )
    return ledger
