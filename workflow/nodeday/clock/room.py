"""Room `clock`: received frames in, one map from each node's ticks to UTC out."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from nodeday import tables
from nodeday.clock import maps
from nodeday.clock.edge import Unit
from nodeday.clock.maps import Map
from nodeday.errors import ContractError
from nodeday.layouts import Layout
from nodeday.ledger import Ledger
from nodeday.schemas import TABLES
from nodeday.settings import HUB, Study

COLUMNS = ["node", "stream", "boot", "ticks", "hub_ns", "mark_utc_ns", "status"]
IN_PLACE = ("good", "late")


def run(study: Study, session: str) -> None:
    """Write table ``clock``; raise ContractError where nothing ties the hub's clock to UTC."""
    layout = study.layout_of(session)
    # Frames of further captures carry stamps that were made from the first one's.
    frames = tables.read(
        tables.path(study.results, "frames", session), "frames", COLUMNS, [("capture", "==", 0)]
    )
    if frames.empty:
        raise ContractError("no frame was received", f"session {session}", "frames to fit clocks to")
    frames["run"] = maps.hub_segments(frames["hub_ns"].to_numpy())
    start_utc_ns, _ = study.written_span(session)
    hubs = []
    for run, rows in frames.groupby("run"):  # a written start serves only the hub's first run
        where = f"session {session}, run {run} of the hub"
        hubs.append(_hub_map(rows, layout, None if run else start_utc_ns, where))
    ledger, pieces = Ledger("clock", session), []
    for node, rows in frames[frames["node"] != HUB].groupby("node", observed=True, sort=False):
        own = study.layout_of(session, str(node))
        boots = [_boot_rows(str(node), each, own, hubs) for _, each in rows.groupby("boot")]
        _account(ledger, str(node), rows["status"], boots)
        pieces += boots
    clock = tables.empty(TABLES["clock"])
    if pieces:
        table = pd.concat(pieces, ignore_index=True)
        clock = tables.build(TABLES["clock"], {name: table[name] for name in TABLES["clock"].names})
    tables.write(tables.path(study.results, "clock", session), TABLES["clock"], clock)
    ledger.close(study.results)


def _account(ledger: Ledger, node: str, status: pd.Series[Any], boots: list[pd.DataFrame]) -> None:
    parts = status.value_counts()
    ledger.add("frames", node, len(status), **{str(name): int(count) for name, count in parts.items()})
    found = pd.Series([each["status"].iloc[0] for each in boots]).value_counts()
    ledger.add("boots", node, len(boots), **{str(name): int(count) for name, count in found.items()})


def _hub_map(rows: pd.DataFrame, layout: Layout, start_utc_ns: int | None, where: str) -> Map:
    """The hub's clock to UTC over one run of the hub."""
    marks = rows[rows["mark_utc_ns"].notna() & rows["status"].isin(IN_PLACE)]
    hub_ns = rows["hub_ns"].to_numpy()
    if len(marks):
        utc = next((f for kind in layout.kinds for f in kind.fields if f.role == "utc"), None)
        utc_unit_ms = ((utc.unit_ns if utc else None) or 1) / 1e6
        stamps = marks["mark_utc_ns"].to_numpy(np.int64)
        return maps.fit_marks(marks["hub_ns"].to_numpy(), stamps, _hub_unit_ms(layout), utc_unit_ms)
    if start_utc_ns is not None:
        return maps.by_hand(int(hub_ns.min()), int(hub_ns.max()), start_utc_ns)
    raise ContractError(
        "no host mark ties the hub's clock to UTC", where,
        "host marks in the capture, or the session's start in config/sessions.tsv",
    )  # fmt: skip


def _hub_unit_ms(layout: Layout) -> float:
    field = layout.field("hub_time")
    return ((field.unit_ns if field else None) or 1) / 1e6


def _boot_rows(node: str, rows: pd.DataFrame, layout: Layout, hubs: list[Map]) -> pd.DataFrame:
    """Rows of table ``clock`` for one boot of a node."""
    field = layout.field("ticks")
    rate_hz = (field.rate_hz if field else None) or 1.0
    placed = rows[rows["status"].isin(IN_PLACE)]
    use = placed if len(placed) else rows
    unit = Unit(_hub_unit_ms(layout))
    # A frame waits for its last sample; that wait is known, and no part of the delay.
    lags = {kind.stream: round(kind.least_lag_s * 1e9) for kind in layout.kinds}
    sent_ns = np.asarray(use["hub_ns"].to_numpy() - use["stream"].map(lags).to_numpy(np.int64), np.int64)
    own = maps.fit_map(use["ticks"].to_numpy(), sent_ns, rate_hz, unit, layout.delay_ms)
    whole = maps.join(own, hubs[int(use["run"].iloc[0])])
    return pd.DataFrame(
        {
            "node": node,
            "boot": np.full(len(whole.at), rows["boot"].iloc[0], np.int32),
            "ticks": whole.at,
            "utc_ns": whole.to,
            "skew_ppm": maps.skew_ppm(whole.at, whole.to, rate_hz),
            "offset_ms": maps.offset_ms(whole.at, whole.to, rate_hz),
            "residual_ms": whole.residual_ms,
            "uncertainty_ms": whole.uncertainty_ms,
            "delay_ms": layout.delay_ms,
            "status": whole.status,
        }
    )
