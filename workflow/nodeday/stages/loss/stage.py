"""Stage `loss`: received frames in; gaps and their account by minute, session and signal out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from nodeday.config import sent_list
from nodeday.config.sent_list import SentRows
from nodeday.config.study import Study
from nodeday.core.errors import SettingsError
from nodeday.core.threads import one_thread
from nodeday.layouts.recording import RecordedLayout
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, LOST_ON_AIR, SECOND_COPIES
from nodeday.stages.loss.battery import of_node
from nodeday.stages.loss.causes import Silences
from nodeday.stages.loss.counted import CountedStream, counted
from nodeday.stages.loss.hub import HubRuns
from nodeday.stages.loss.minutes import LOST, by_minute
from nodeday.stages.loss.sent import NotListed, SentEdges, SentLists, SentMatch
from nodeday.stages.loss.silence import silences
from nodeday.stages.loss.statistics import Frames, of_stream
from nodeday.stages.loss.streams import SessionFrames, StreamFrames, StreamTiming, session_frames
from nodeday.storage import frame_fields, frames, session_cut, tables
from nodeday.storage.frames import STATUS, FrameColumns, Key, is_in
from nodeday.storage.ledger import Ledger
from nodeday.storage.session_cut import SessionCut

NAMES = ("gaps", "loss", "radio", "bursts", "signal", "fields", "battery", "sent")
STREAM = ["node", "stream"]


class BootRange(NamedTuple):
    """Numbers [first, stop) of a boot of a stream in the session, and how many of them were received.

    ``listed`` are frames that a transmit list has before and after them.
    """

    node: str
    stream: str
    boot: int
    first: int
    stop: int
    received: int
    listed: int


@one_thread()
def run(study: Study, session: str) -> None:
    """Write ``gaps``, ``loss``, ``radio``, ``bursts``, ``signal``, ``fields``, ``battery`` and ``sent``.

    Raises ContractError where their counts do not agree, or a transmit list is not of this session.
    """
    streams, received = received_of(study, session)
    lists = sent_lists(study, session, received)
    found, boots, _ = account(received, study.file.battery.empty_v, lists)
    for name, table in found.items():
        tables.write(tables.path(study.results, name, session), TABLES[name], table)
    balance(Ledger("loss", session), _by_status(streams, received.cut), boots, found).close(study.results)


def received_of(study: Study, session: str) -> tuple[Mapping[Key, FrameColumns], SessionFrames]:
    """Read the streams of a session's capture, and those of them that count."""
    streams = frames.columns_of(study.results, session)
    runs = HubRuns.of(frames.hub_runs(study.results, session))
    cut = session_cut.read(study.results, session, study.is_cut(session))
    return streams, session_frames(streams, runs, paces(study, session), cut)


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
            own = tuple(
                dict.fromkeys(
                    frame_fields.column_of(each.name)
                    for one in kinds
                    for each in frame_fields.fields_of(layout, one)
                )
            )
            found[node.node, kind.stream] = StreamTiming(kind.period_s, seq, *ticks, *fields, periods, own)
    return found


def sent_lists(study: Study, session: str, received: SessionFrames) -> dict[Key, SentRows]:
    """Return the session's transmit list by node and stream; empty where it has none.

    Raises SettingsError where the list is wrong, does not tell which of several streams it is about, or the
    session is only a part of its capture.
    """
    found, lists = {}, sent_list.load(study, session)
    if lists and received.cut is not None:
        raise SettingsError(
            f"session {session} is a part of its capture",
            lists[0].path,
            "a session that takes all of it",
            "Leave start and end in config/sessions.tsv empty, or take the list away.",
        )
    for rows in lists:
        came = [rows.stream] if rows.stream else [key[1] for key in received.columns if key[0] == rows.node]
        if len(came) != 1:
            raise SettingsError(
                f"{rows.node} sent {', '.join(came)}" if came else f"nothing was received of {rows.node}",
                f"{rows.path} line {rows.line[0]}",
                "a column stream, which tells what each row is about",
            )
        found[rows.node, came[0]] = rows
    return found


def account(
    session: SessionFrames, empty_v: float, lists: SentLists | None = None
) -> tuple[Frames, list[BootRange], list[NotListed]]:
    """Return the stage's tables by name, all boots by stream, and what a transmit list lacks of each stream.

    Silences and causes rest on the frames of the capture; what is counted is in the session.
    """
    lists = lists or {}
    parts: dict[str, list[Any]] = defaultdict(list)
    silent = silences(session)
    for node in session.nodes:
        for name, part in _parts(session.streams_of(node), session, silent, empty_v, lists):
            parts[name].append(part)
    parts["sent"] += [_unreceived(key, rows) for key, rows in lists.items() if key not in session.columns]
    return {name: _table(name, parts[name]) for name in NAMES}, parts["boots"], parts["unlisted"]


def _parts(
    node: list[StreamFrames], session: SessionFrames, silent: Silences, empty_v: float, lists: SentLists
) -> Iterator[tuple[str, Any]]:
    """Give data frames or rows of each table about a node, with the table's name."""
    inside = []
    for own in node:
        found = counted(own, node, session, silent, lists.get((own.node, own.stream)))
        yield from [("unlisted", NotListed.of(own, found.on_list))] if lists else []
        part = found.part
        if not len(part.inside.numbers.boot):
            continue
        inside.append(part.inside)
        yield "gaps", part.kept
        yield "loss", by_minute(part.inside, found.lost)
        yield from [("sent", _sent(found, found.on_list))] if found.on_list else []
        for name, rows in of_stream(part, session).items():
            yield from ((name, row) for row in rows)
        yield from (("boots", boot) for boot in _boots(part.inside, found.beyond))
    row = of_node(inside, session, empty_v) if any(len(each.seq) for each in inside) else None
    yield from [("battery", row)] if row else []


def _boots(own: StreamFrames, beyond: SentEdges) -> Iterator[BootRange]:
    """Give the numbers of each boot of a stream that are in the session, and how many were received."""
    numbers = own.numbers
    received = np.searchsorted(own.boot, numbers.boot + 1) - np.searchsorted(own.boot, numbers.boot)
    boot, more = np.unique(own.boot[beyond.near], return_counts=True)
    listed = dict(zip(boot.tolist(), more.tolist(), strict=True))
    columns = (numbers.boot, numbers.first, numbers.stop, received)
    for boot, first, stop, count in zip(*(each.tolist() for each in columns), strict=True):
        yield BootRange(own.node, own.stream, boot, first, stop, count, listed.get(boot, 0))


def _sent(found: CountedStream, on_list: SentMatch) -> dict[str, Any]:
    """Return the row of table ``sent`` of a stream."""
    own, beyond = found.part.own, found.beyond
    before = int(np.count_nonzero(beyond.before(own)))
    return {
        "node": own.node,
        "stream": own.stream,
        "sent": len(on_list.listed.counter),
        "received": on_list.received,
        "lost": on_list.lost,
        "lost_leading": before,
        "lost_trailing": len(beyond.near) - before,
        "lost_by_counter": int(found.between["frames"].sum()),
        "not_listed": int(np.count_nonzero(~on_list.fits)),
    }


def _unreceived(key: Key, rows: SentRows) -> dict[str, Any]:
    """Return the row of table ``sent`` of a stream of which nothing was received."""
    none = dict.fromkeys(("received", "lost_leading", "lost_trailing", "lost_by_counter", "not_listed"), 0)
    count = len(rows.counter)
    return {"node": key[0], "stream": key[1], "sent": count, "lost": count, **none}


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
            own.stop - own.first + own.listed,
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
        on_air = int(row[LOST_ON_AIR].to_numpy().sum())
        ledger.add("lost on the air", scope, on_air, runs=int(parts_of["bursts"]["lost"].sum()))
    for each in found["sent"].to_dict("records"):
        parts = {name: int(each[name]) for name in ("received", "lost")}
        ledger.add("sent frames", f"{each['node']}/{each['stream']}", int(each["sent"]), **parts)
    ledger.add(
        "expected frames", "session", int(radio["expected"].sum()), minutes=int(loss["expected"].sum())
    )
    return ledger
