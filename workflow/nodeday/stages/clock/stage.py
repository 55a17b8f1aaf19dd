"""Stage `clock`: received frames in; maps from each node's ticks to UTC, and what checks them, out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core.errors import ContractError
from nodeday.core.threads import one_thread
from nodeday.layouts import Layout
from nodeday.schemas import TABLES
from nodeday.stages.clock import check, conventions, hub, maps, marks, network, nodes
from nodeday.stages.clock.boots import Captured, Key
from nodeday.stages.clock.cut import HubTime, cut
from nodeday.stages.clock.events import Span, step_rows
from nodeday.stages.clock.hub import MARKS, BootStamps, RunStarts, Steady
from nodeday.stages.clock.maps import Map
from nodeday.stages.clock.network import NETWORK, Network
from nodeday.stages.clock.nodes import Stamped
from nodeday.stages.clock.rounding import Unit
from nodeday.storage import frames, tables
from nodeday.storage.frames import FrameColumns
from nodeday.storage.ledger import Ledger


@one_thread()
def run(study: Study, session: str) -> None:
    """Write ``clock``, ``cut``, ``steps``, ``movements`` and ``agreement``.

    Clocks rest on the frames of the capture, those outside of the session included. Raises ContractError
    where nothing ties the hub's clock to UTC, unless no frame holds samples: then no node has a map, and the
    session is one of a link alone. Raises it where the session cannot be cut out of its capture, too.
    """
    kinds = check.kinds_of(study, session)
    streams = frames.columns_of(study.results, session)
    ledger = Ledger("clock", session)
    clock, steps, hub_time = _fitted(study, session, Captured.of(streams), ledger)
    signals = [*check.signals(study, session, streams, kinds, clock)]
    clock, moved, agreement = check.checked(study, session, clock, signals)
    taken = cut(study, session, streams, clock, hub_time)
    _account_cut(ledger, streams, taken)
    made = {"clock": clock, "cut": taken, "steps": steps, "movements": moved, "agreement": agreement}
    for name, table in made.items():
        tables.write(tables.path(study.results, name, session), TABLES[name], table)
    ledger.close(study.results)


def _fitted(
    study: Study, session: str, captured: Captured, ledger: Ledger
) -> tuple[pd.DataFrame, pd.DataFrame, HubTime]:
    """Return tables ``clock`` and ``steps``, and the hub's clock."""
    layout, table = study.layout_of(session), frames.hub_runs(study.results, session)
    if table.empty:
        raise ContractError("no frame was received", f"session {session}", "frames to fit clocks to")
    unit, doubt_ms = conventions.stamp_unit(layout)
    host = _marks(captured, layout)
    known = RunStarts(table.loc[table["began"] != "hub_or_nodes", "row"].to_numpy(np.int64))
    runs = hub.with_jumps(known, host, captured.stamps_at)
    boots = partial(captured.boots, partial(study.layout_of, session), runs)
    networks = _networks(study, session, captured, runs)
    members = {node for each in networks.values() for node, _, _ in each.boots}
    alone = (_boot_stamps(node, each, unit) for (node, _, _), each in boots() if node not in members)
    steady = hub.steady(runs, chain(alone, (each.witness(unit) for each in networks.values())), host)
    hubs = _hubs(study, session, captured, layout, steady)
    shared = {
        run: each.changed(partial(_steadied, steady=steady)).fit(steady.own.get(NETWORK, []), hubs[run], unit)
        for run, each in networks.items()
        if run in hubs
    }
    del networks
    pieces, fates, spans = [], list[tuple[str, str]](), list[Span]()
    for (node, stream, boot), each in boots():
        own = study.layout_of(session, node)
        key = node, stream, boot
        if node in members:
            found = network.map_boot(key, each, shared)
        else:
            steps = steady.own.get(node, [])
            found = nodes.map_boot(_steadied(each, steady), steps, hubs, unit, own.delay_ms)
        fates.append((node, "no_marks" if found is None else found.status))
        spans.append((key, int(each.rows.min()), int(each.rows.max())))
        if found is not None:
            found = replace(found, uncertainty_ms=found.uncertainty_ms + doubt_ms)
            rows = _clock_rows(key, found, each.rate_hz, own.delay_ms)
            pieces.append(rows.assign(time_source="network" if node in members else "node"))
        del each  # before the next one is read
    _account(ledger, captured, fates)
    clock = pd.concat(pieces, ignore_index=True) if pieces else tables.empty(TABLES["clock"])
    built = tables.build(TABLES["clock"], {name: clock[name] for name in TABLES["clock"].names})
    return built, step_rows(captured.stamps_at, spans, steady, hubs), HubTime(steady, hubs)


def _networks(study: Study, session: str, captured: Captured, runs: RunStarts) -> dict[int, Network]:
    """Return the network that keeps one time by run of the hub; none where no layout declares it."""
    layouts = {node: study.layout_of(session, node) for node, _ in captured.streams if node != HUB}
    turns = [1 << field.bits for each in layouts.values() if (field := each.network_ticks)]
    if not turns:
        return {}
    sent = (
        (key, replace(each, sent_ns=each.sent_ns - round(layouts[key[0]].delay_ms * 1e6)))
        for key, each in captured.boots(layouts.__getitem__, runs)
        if layouts[key[0]].network_ticks
    )
    return network.of_session(sent, turns[0])


def _steadied(own: Stamped, steady: Steady) -> Stamped:
    """Return the frames of a boot with the hub's steps taken out of their stamps."""
    if not steady.shared:
        return own
    return replace(own, sent_ns=steady.steady_ns(own.rows, own.sent_ns), band_ms=steady.band_ms(own.rows))


def _account(ledger: Ledger, captured: Captured, boots: list[tuple[str, str]]) -> None:
    for node, status in captured.by_status().items():
        ledger.add("frames", node, sum(status.values()), **status)
        found = Counter(how for name, how in boots if name == node)
        ledger.add("boots", node, found.total(), **dict(found.most_common()))


def _account_cut(ledger: Ledger, streams: Mapping[frames.Key, FrameColumns], taken: pd.DataFrame) -> None:
    """Enter that each frame of a stream is in the session, outside of it, or without a time."""
    for (node, stream), own in taken.groupby(["node", "stream"], observed=True):
        counts = {name: int(own[name].sum()) for name in ("inside", "before", "after", "untimed")}
        received = len(streams[str(node), str(stream)]["boot"])
        ledger.add("cut frames", f"{node}/{stream}", received, **counts)


def _marks(captured: Captured, layout: Layout) -> BootStamps | None:
    """Return the host's marks in order of capture, by the host's clock.

    Where that falls back, ``x`` stands still::

    said   10 20 30 40 15 25 35          the host's clock was put back
    x       0 10 20 30 30 40 50
    """
    rows, stamps, utc = captured.marks
    if not len(rows):
        return None
    since = utc - utc[0]
    x_s = np.cumsum(np.maximum(np.diff(since, prepend=0), 0)) / 1e9
    field = conventions.utc_field(layout)
    before = field is not None and field.read == "before"
    also = 0.0 if conventions.stamps_are_utc(layout) else conventions.hub_unit_ms(layout)
    unit = Unit(conventions.unit_ms(field), (field and field.rounding) or "nearest", also, mirrored=before)
    return BootStamps(MARKS, rows, x_s, (stamps - stamps[0] - since) / 1e6, unit, turned=not before)


def _boot_stamps(name: str, own: Stamped, unit: Unit) -> BootStamps:
    return BootStamps(name, own.rows, *maps.points(own.ticks, own.sent_ns, own.rate_hz), unit)


def _hubs(study: Study, session: str, captured: Captured, layout: Layout, steady: Steady) -> dict[int, Map]:
    """Return the hub's clock to UTC, by run; a run without marks has none.

    A written start serves only the first run, and only where no run has marks.
    """
    unit_ms, field = conventions.hub_unit_ms(layout), conventions.utc_field(layout)
    written = (field.rounding, field.read) if field else (None, None)
    found, runs = {}, steady.runs.of(captured.marks[0])
    steps = steady.own.get(MARKS, [])
    for each in np.unique(runs).tolist():
        rows, stamps, utc = (values[runs == each] for values in captured.marks)
        steady_ns = steady.steady_ns(rows, stamps)
        if conventions.stamps_are_utc(layout):
            found[each] = marks.of_utc(steady_ns, utc)
            continue
        within = [step for step in steps if steady.runs.at(step.before) == each]
        utc, moved_ms = hub.without_host_steps(utc, rows, within)
        fit = marks.fit_marks(steady_ns, utc, unit_ms, conventions.unit_ms(field), *written)
        found[each] = maps.less_certain(fit, steady_ns, moved_ms)
    start_ns, _ = study.written_span(session)
    if not found and start_ns is not None:
        found[0] = marks.by_hand(*_span_of_first_run(captured, steady), start_ns)
    if not found and captured.has_samples:
        raise ContractError(
            "no host mark ties the hub's clock to UTC",
            f"session {session}, run 0 of the hub",
            "host marks in the capture, or the session's start in config/sessions.tsv",
        )
    return found


def _span_of_first_run(captured: Captured, steady: Steady) -> tuple[int, int]:
    """Return the least and the greatest stamp of the hub's first run, with its steps taken out."""
    ends = []
    for rows, hub_ns in captured.stamps():
        own = steady.steady_ns(rows, hub_ns)[steady.runs.of(rows) == 0]
        ends += [int(own.min()), int(own.max())] if len(own) else []
    return min(ends), max(ends)


def _clock_rows(key: Key, knots: Map, rate_hz: float, delay_ms: float) -> pd.DataFrame:
    """Rows of table ``clock`` for one boot of a node."""
    node, stream, boot = key
    columns: dict[str, Any] = {
        "node": node,
        "stream": stream,
        "boot": np.full(len(knots.at), boot, np.int32),
        "ticks": knots.at,
        "utc_ns": knots.to,
        "skew_ppm": maps.skew_ppm(knots.at, knots.to, rate_hz),
        "offset_ms": maps.offset_ms(knots.at, knots.to, rate_hz),
        "residual_ms": knots.residual_ms,
        "uncertainty_ms": knots.uncertainty_ms,
        "delay_ms": delay_ms,
        "corrected_ms": 0.0,
        "status": knots.status,
    }
    return pd.DataFrame(columns)
