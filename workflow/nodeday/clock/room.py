"""Room `clock`: received frames in; maps from each node's ticks to UTC, and what checks them, out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from nodeday import tables
from nodeday.arrays import Ints
from nodeday.clock import check, hub, maps, nodes
from nodeday.clock.edge import Unit
from nodeday.clock.events import step_rows
from nodeday.clock.hub import MARKS, Heard, Steady
from nodeday.clock.maps import Map
from nodeday.clock.nodes import Stamped
from nodeday.errors import ContractError
from nodeday.layouts import Layout
from nodeday.ledger import Ledger
from nodeday.schemas import TABLES
from nodeday.settings import HUB, Study

COLUMNS = ["node", "stream", "boot", "ticks", "hub_ns", "mark_utc_ns", "status"]
IN_PLACE = ("good", "late")
ALL = "*"


def run(study: Study, session: str) -> None:
    """Write ``clock``, ``steps``, ``movements`` and ``agreement``; raise ContractError where nothing
    ties the hub's clock to UTC."""
    # Frames of further captures carry stamps that were made from the first one's.
    frames = tables.read(
        tables.path(study.results, "frames", session), "frames", COLUMNS, [("capture", "==", 0)]
    )
    if frames.empty:
        raise ContractError("no frame was received", f"session {session}", "frames to fit clocks to")
    ledger = Ledger("clock", session)
    clock, steps = _fitted(study, session, frames, ledger)
    del frames
    clock, moved, agreement = check.checked(study, session, clock)
    for name, table in (("clock", clock), ("steps", steps), ("movements", moved), ("agreement", agreement)):
        tables.write(tables.path(study.results, name, session), TABLES[name], table)
    ledger.close(study.results)


def _fitted(
    study: Study, session: str, frames: pd.DataFrame, ledger: Ledger
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Tables ``clock`` and ``steps``."""
    layout, hub_ns = study.layout_of(session), frames["hub_ns"].to_numpy()
    unit = Unit(_hub_unit_ms(layout))
    marks = _marks(frames, Unit(_utc_unit_ms(layout), down=False, also=unit.ms))
    run = hub.runs(hub_ns, marks)
    boots = _boots(study, session, frames, run)
    heard = [_heard(name, each, unit) for (name, _, _), each in boots.items()]
    steady = hub.steady(hub_ns, run, heard, marks)
    hubs = _hubs(study, session, frames, layout, run, steady)
    pieces, rows = [], []
    for (node, stream, boot), each in boots.items():
        own = study.layout_of(session, node)
        sent = each.sent_ns + (steady.steady_ns - hub_ns)[each.rows]
        stamped = Stamped(each.rows, each.ticks, sent, each.run, steady.band_ms[each.rows], each.rate_hz)
        found = nodes.map_boot(stamped, steady.own.get(node, []), hubs, unit, own.delay_ms)
        rows.append((node, "no_marks" if found is None else found.status))
        if found is not None:
            pieces.append(_clock_rows((node, stream, boot), found, each.rate_hz, own.delay_ms))
    _account(ledger, frames[frames["node"] != HUB], rows)
    clock = pd.concat(pieces, ignore_index=True) if pieces else tables.empty(TABLES["clock"])
    built = tables.build(TABLES["clock"], {name: clock[name] for name in TABLES["clock"].names})
    return built, step_rows(frames, run, list(boots.items()), steady, hubs)


def _account(ledger: Ledger, frames: pd.DataFrame, boots: list[tuple[str, str]]) -> None:
    for node, status in frames.groupby("node", observed=True, sort=False)["status"]:
        parts = status.value_counts()
        counts = {str(name): int(count) for name, count in parts.items()}
        ledger.add("frames", str(node), len(status), **counts)
        found = pd.Series([how for name, how in boots if name == str(node)]).value_counts()
        counts = {str(name): int(count) for name, count in found.items()}
        ledger.add("boots", str(node), int(found.sum()), **counts)


def _marks(frames: pd.DataFrame, unit: Unit) -> Heard | None:
    """The host's marks in order of capture, by the host's clock; where that falls back it stands still::

    said   10 20 30 40 15 25 35          the host's clock was put back
    x       0 10 20 30 30 40 50
    """
    rows = np.flatnonzero((frames["mark_utc_ns"].notna() & frames["status"].isin(IN_PLACE)).to_numpy())
    if not len(rows):
        return None
    utc = frames["mark_utc_ns"].to_numpy()[rows].astype(np.int64)
    stamps = frames["hub_ns"].to_numpy()[rows]
    since = utc - utc[0]
    x_s = np.cumsum(np.maximum(np.diff(since, prepend=0), 0)) / 1e9
    return Heard(MARKS, rows, x_s, (stamps - stamps[0] - since) / 1e6, unit)


def _boots(
    study: Study, session: str, frames: pd.DataFrame, run: Ints
) -> dict[tuple[str, str, int], Stamped]:
    """Frames of each node and boot that stand in place, in order of ticks; by stream too where each
    stream counts for itself."""
    found = {}
    number = np.arange(len(frames))
    sound = frames["status"].isin(IN_PLACE).to_numpy()
    ticks, hub_ns = frames["ticks"].to_numpy(), frames["hub_ns"].to_numpy()
    for node in [name for name in frames["node"].cat.categories if name != HUB]:
        layout = study.layout_of(session, str(node))
        lag_of = {kind.stream: _lag_ns(layout, kind.stream) for kind in layout.kinds}
        of_node = frames.loc[frames["node"] == node, ["stream", "boot"]]
        stream = of_node["stream"].astype(str)
        names = pd.Series(ALL, stream.index) if layout.has_ticks else stream
        for (name, boot), own in of_node.groupby([names, of_node["boot"]], sort=True):
            rows = number[own.index]
            rows = rows[sound[rows]] if sound[rows].any() else rows
            order = rows[np.argsort(ticks[rows], kind="stable")]
            lag = frames["stream"].iloc[order].map(lag_of).to_numpy(np.int64)
            rate = layout.tick_hz(str(own["stream"].iloc[0]))
            found[str(node), str(name), int(boot)] = Stamped(
                order, ticks[order], hub_ns[order] - lag, run[order], np.zeros(len(order)), rate
            )
    return found


def _lag_ns(layout: Layout, stream: str) -> int:
    """A frame waits for its last sample, and a longer one is longer on the air: both are known."""
    kind = layout.stream(stream)
    return round(kind.least_lag_s * 1e9)


def _heard(name: str, own: Stamped, unit: Unit) -> Heard:
    since = (own.ticks - own.ticks[0]) / own.rate_hz
    return Heard(name, own.rows, since, (own.sent_ns - own.sent_ns[0]) / 1e6 - since * 1e3, unit)


def _hubs(
    study: Study, session: str, frames: pd.DataFrame, layout: Layout, run: Ints, steady: Steady
) -> dict[int, Map]:
    """The hub's clock to UTC, by run; a run without marks has none. A written start serves only the
    first run, and only where no run has marks."""
    marks = frames["mark_utc_ns"].notna().to_numpy() & frames["status"].isin(IN_PLACE).to_numpy()
    unit_ms, utc_ms = _hub_unit_ms(layout), _utc_unit_ms(layout)
    found = {}
    for each in np.unique(run[marks]).tolist():
        rows = np.flatnonzero(marks & (run == each))
        utc = frames["mark_utc_ns"].to_numpy()[rows].astype(np.int64)
        within = [step for step in steady.own.get(MARKS, []) if run[step.before] == each]
        utc, moved_ms = hub.without_host_steps(utc, rows, within)
        fit = maps.fit_marks(steady.steady_ns[rows], utc, unit_ms, utc_ms)
        found[each] = maps.less_certain(fit, steady.steady_ns[rows], moved_ms)
    start_ns, _ = study.written_span(session)
    if not found and start_ns is not None:
        own = steady.steady_ns[run == 0]
        found[0] = maps.by_hand(int(own.min()), int(own.max()), start_ns)
    if not found:
        raise ContractError(
            "no host mark ties the hub's clock to UTC", f"session {session}, run 0 of the hub",
            "host marks in the capture, or the session's start in config/sessions.tsv",
        )  # fmt: skip
    return found


def _hub_unit_ms(layout: Layout) -> float:
    field = layout.field("hub_time")
    return ((field.unit_ns if field else None) or 1) / 1e6


def _utc_unit_ms(layout: Layout) -> float:
    utc = next((f for kind in layout.kinds for f in kind.fields if f.role == "utc"), None)
    return ((utc.unit_ns if utc else None) or 1) / 1e6


def _clock_rows(key: tuple[str, str, int], whole: Map, rate_hz: float, delay_ms: float) -> pd.DataFrame:
    """Rows of table ``clock`` for one boot of a node."""
    node, stream, boot = key
    columns: dict[str, Any] = {
        "node": node,
        "stream": stream,
        "boot": np.full(len(whole.at), boot, np.int32),
        "ticks": whole.at,
        "utc_ns": whole.to,
        "skew_ppm": maps.skew_ppm(whole.at, whole.to, rate_hz),
        "offset_ms": maps.offset_ms(whole.at, whole.to, rate_hz),
        "residual_ms": whole.residual_ms,
        "uncertainty_ms": whole.uncertainty_ms,
        "delay_ms": delay_ms,
        "corrected_ms": 0.0,
        "status": whole.status,
    }
    return pd.DataFrame(columns)
