"""Stage `loss`: received frames in; gaps and their account by minute, session and signal out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core.threads import one_thread
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES
from nodeday.stages.loss.battery import of_node
from nodeday.stages.loss.causes import Silences
from nodeday.stages.loss.gaps import find_gaps
from nodeday.stages.loss.hub import HubRuns
from nodeday.stages.loss.minutes import LOST, by_minute
from nodeday.stages.loss.silence import silences
from nodeday.stages.loss.statistics import Frames, of_stream
from nodeday.stages.loss.streams import SessionFrames, StreamFrames, StreamTiming, session_frames
from nodeday.storage import frame_fields, frames, tables
from nodeday.storage.frames import STATUS, FrameColumns, Key
from nodeday.storage.ledger import Ledger

NAMES = ("gaps", "loss", "radio", "bursts", "signal", "fields", "battery")
STREAM = ["node", "stream"]


class BootRange(NamedTuple):
    """Numbers from the first to the last received frame of a boot of a stream, and how many were received."""

    node: str
    stream: str
    boot: int
    first: int
    last: int
    received: int


@one_thread()
def run(study: Study, session: str) -> None:
    """Write ``gaps``, ``loss``, ``radio``, ``bursts``, ``signal``, ``fields`` and ``battery``.

    Raises ContractError where their counts do not agree.
    """
    streams = frames.columns_of(study.results, session)
    runs = HubRuns.of(frames.hub_runs(study.results, session))
    received = session_frames(streams, runs, paces(study, session))
    found, boots = account(received, study.file.battery.empty_v)
    for name, table in found.items():
        tables.write(tables.path(study.results, name, session), TABLES[name], table)
    balance(Ledger("loss", session), _by_status(streams), boots, found).close(study.results)


def _by_status(streams: Mapping[Key, FrameColumns]) -> dict[str, int]:
    """Count the frames of each status."""
    counts = sum(np.bincount(own["status"], minlength=len(STATUS)) for own in streams.values())
    return dict(zip(STATUS, (counts + np.zeros(len(STATUS), np.int64)).tolist(), strict=True))


def paces(study: Study, session: str) -> dict[tuple[str, str], StreamTiming]:
    """Return what the layout says of each stream that a node may send."""
    found: dict[tuple[str, str], StreamTiming] = {}
    for node in study.nodes_of(session).values():
        layout = study.layout_of(session, node.node)
        counter = layout.field("sequence")
        seq = 1 << (counter.bits if counter else 62)
        for kind in layout.kinds:
            ticks = layout.tick_range(kind.stream), layout.tick_hz(kind.stream)
            fields = layout.has_ticks, layout.field("boot") is not None
            own = tuple(frame_fields.column_of(each.name) for each in frame_fields.fields_of(layout, kind))
            found[node.node, kind.stream] = StreamTiming(kind.period_s, seq, *ticks, *fields, own)
    return found


def account(session: SessionFrames, empty_v: float) -> tuple[Frames, list[BootRange]]:
    """Return the stage's tables by name, and all boots by stream."""
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
    for own in node:
        gaps = find_gaps(own, node, session, silent)
        yield "gaps", gaps
        yield "loss", by_minute(own, gaps[gaps["extent"] == "known"])
        for name, rows in of_stream(own, gaps, session).items():
            yield from ((name, row) for row in rows)
        starts = np.flatnonzero(np.diff(own.boot, prepend=-1))
        for start, end in zip(starts.tolist(), [*starts[1:].tolist(), len(own.seq)], strict=True):
            ends = int(own.seq[start]), int(own.seq[end - 1])
            yield "boots", BootRange(own.node, own.stream, int(own.boot[start]), *ends, end - start)
    row = of_node(node, session, empty_v)
    yield from [("battery", row)] if row else []


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

    ``status`` is how many frames of the table have each status.
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
            own.last - own.first + 1,
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
