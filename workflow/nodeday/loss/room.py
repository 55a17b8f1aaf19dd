"""Room `loss`: received frames in, tables ``gaps`` and ``loss`` out; every lost frame counted once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from nodeday import tables
from nodeday.ledger import Ledger
from nodeday.loss import causes
from nodeday.loss.gaps import due_ns, gaps_of, minute_of, split
from nodeday.schemas import TABLES
from nodeday.schemas.codes import GAP_CAUSE
from nodeday.settings import HUB, Study

COLUMNS = ["capture", "node", "stream", "boot", "seq", "hub_ns", "rssi_dbm", "lqi", "battery_v", "status"]
SECOND_COPIES = ("duplicate", "conflict")
STREAM = ["node", "stream"]
LOST = [f"lost_{cause}" for cause in GAP_CAUSE]


def run(study: Study, session: str) -> None:
    """Write tables ``gaps`` and ``loss``; raise ContractError where their counts do not agree."""
    layout = study.layout_of(session)
    frames = tables.read(tables.path(study.results, "frames", session), "frames", COLUMNS)
    copies = frames["status"].isin(SECOND_COPIES)
    received = frames[~copies].sort_values([*STREAM, "boot", "seq"], kind="stable", ignore_index=True)
    gaps = find_gaps(received, {kind.stream: kind.period_s for kind in layout.kinds})
    loss = by_minute(received, frames[copies], gaps)
    tables.write(tables.path(study.results, "gaps", session), TABLES["gaps"], gaps)
    tables.write(tables.path(study.results, "loss", session), TABLES["loss"], loss)
    _account(Ledger("loss", session), frames, received, gaps, loss).close(study.results)


def find_gaps(received: pd.DataFrame, period_s: dict[str, float]) -> pd.DataFrame:
    """Table ``gaps`` of distinct frames sorted by node, stream, boot and sequence number."""
    sensors = received[received["node"] != HUB]
    slowest = max((min(period_s[s] for s in rows["stream"].unique())
                   for _, rows in sensors.groupby("node", observed=True)), default=0.0)  # fmt: skip
    # Without sensor nodes there is nobody whose silence could tell.
    silent = causes.silences(received["hub_ns"].to_numpy(), slowest) if slowest else _nothing()
    parts = []
    for (node, stream), rows in received.groupby(STREAM, observed=True):
        known = _known(rows, silent)
        unknown = [*_restarts(rows, node == HUB), *_ending(rows, received, period_s[str(stream)])]
        part = pd.concat([known, pd.DataFrame(unknown, columns=known.columns)]) if unknown else known
        parts.append(part.assign(node=str(node), stream=str(stream)).sort_values(["boot", "seq_from"]))
    if not parts:
        return tables.empty(TABLES["gaps"])
    table = pd.concat(parts, ignore_index=True)
    nullable = {name: table[name].astype("Int64") for name in ("seq_to", "frames", "after_hub_ns")}
    plain = {name: table[name] for name in TABLES["gaps"].names if name not in nullable}
    return tables.build(TABLES["gaps"], {**plain, **nullable})


def _nothing() -> tuple[Any, Any]:
    return np.empty(0, np.int64), np.empty(0, np.int64)


def _known(rows: pd.DataFrame, silent: tuple[Any, Any]) -> pd.DataFrame:
    """Gaps inside the boots of one stream; their length is known."""
    parts = []
    for boot, own in rows.groupby("boot"):
        hub_ns, runs = own["hub_ns"].to_numpy(), gaps_of(own["seq"].to_numpy())
        _, due = due_ns(runs.frames, hub_ns[runs.left], hub_ns[runs.left + 1])
        # A frame due while other nodes were heard was lost on the air, whatever came next.
        runs, outage = split(runs, causes.within(due, *silent))
        before, after = hub_ns[runs.left], hub_ns[runs.left + 1]
        parts.append(
            pd.DataFrame(
                {
                    "boot": np.full(len(before), boot, np.int32),
                    "seq_from": runs.seq_from,
                    "seq_to": pd.array(runs.seq_to, "Int64"),
                    "frames": pd.array(runs.frames, "Int64"),
                    "extent": "known",
                    "cause": np.where(outage, "hub_outage", "radio"),
                    "before_hub_ns": before,
                    "after_hub_ns": pd.array(after, "Int64"),
                }
            )
        )
    return pd.concat(parts)


def _restarts(rows: pd.DataFrame, hub: bool) -> Iterator[tuple[Any, ...]]:
    """A gap of unknown length between each boot of a stream and the next one it is seen in."""
    ends = rows.groupby("boot").agg(seq=("seq", "last"), before=("hub_ns", "last"), after=("hub_ns", "first"))
    for (boot, end), after in zip(ends.iloc[:-1].iterrows(), ends["after"].iloc[1:], strict=True):
        cause = "hub_outage" if hub else "node_restart"
        yield boot, end["seq"] + 1, pd.NA, pd.NA, "unknown", cause, end["before"], after


def _ending(rows: pd.DataFrame, received: pd.DataFrame, period_s: float) -> Iterator[tuple[Any, ...]]:
    """A gap of unknown length at the end of a stream that fell silent before the session did."""
    last, session_last = rows.iloc[-1], int(received["hub_ns"].max())
    if not causes.fell_silent(int(last["hub_ns"]), session_last, period_s):
        return
    node = received[received["node"] == last["node"]]
    node_gone = causes.fell_silent(int(node["hub_ns"].max()), session_last, period_s)
    own = node[node["boot"] == last["boot"]]
    empty = node_gone and causes.battery_fell(own["hub_ns"].to_numpy(), own["battery_v"].to_numpy(np.float64))
    cause = "end_of_battery" if empty else "unknown"
    yield last["boot"], last["seq"] + 1, pd.NA, pd.NA, "unknown", cause, last["hub_ns"], pd.NA


def by_minute(received: pd.DataFrame, copies: pd.DataFrame, gaps: pd.DataFrame) -> pd.DataFrame:
    """Table ``loss``: minutes of the hub's clock in which a stream had a frame, lost or not."""
    key = [*STREAM, "minute_hub_ns"]
    got = received.assign(
        minute_hub_ns=minute_of(received["hub_ns"].to_numpy()),
        recovered=received["capture"] > 0, late=received["status"] == "late",
    ).groupby(key, observed=True).agg(
        received=("seq", "size"), recovered=("recovered", "sum"), late=("late", "sum"),
        rssi_dbm=("rssi_dbm", "mean"), lqi=("lqi", "mean"),
    )  # fmt: skip
    again = copies.assign(minute_hub_ns=minute_of(copies["hub_ns"].to_numpy())).groupby(key, observed=True)
    lost, longest = _lost_by_minute(gaps[gaps["extent"] == "known"], key)
    whole = pd.concat([got, again.size().rename("duplicates"), lost, longest], axis=1).sort_index()
    whole = whole.astype({"rssi_dbm": np.float32, "lqi": np.float32})
    counts = whole.columns.drop(["rssi_dbm", "lqi"])
    whole[counts] = whole[counts].fillna(0).astype(np.int64)
    whole["expected"] = whole["received"] + whole[lost.columns].sum(axis=1)
    table = whole.reset_index()
    return tables.build(TABLES["loss"], {name: table[name] for name in TABLES["loss"].names})


def _lost_by_minute(known: pd.DataFrame, key: list[str]) -> tuple[pd.DataFrame, pd.Series[Any]]:
    """Lost frames by minute and cause, and the longest gap that begins in each minute."""
    # Parts of one run, told apart by cause, have the same frames on both sides.
    goes_on = known["seq_from"] == known["seq_to"].shift()
    for name in (*STREAM, "boot"):
        goes_on &= known[name] == known[name].shift()
    runs = known.groupby((~goes_on).cumsum()).agg(
        node=("node", "first"), stream=("stream", "first"), frames=("frames", "sum"),
        before=("before_hub_ns", "first"), after=("after_hub_ns", "first"),
    )  # fmt: skip
    count = runs["frames"].to_numpy(np.int64)
    _, due = due_ns(count, runs["before"].to_numpy(np.int64), runs["after"].to_numpy(np.int64))
    row = np.arange(len(known)).repeat(known["frames"].to_numpy(np.int64))
    each = known[[*STREAM, "cause"]].iloc[row].assign(minute_hub_ns=minute_of(due))
    by_cause = [each[each["cause"] == cause].groupby(key, observed=True).size() for cause in GAP_CAUSE]
    lost = dict(zip(LOST, by_cause, strict=True))
    first = minute_of(due[np.cumsum(count) - count])
    begins = runs[STREAM].assign(minute_hub_ns=first, longest_gap_frames=count)
    return pd.DataFrame(lost), begins.groupby(key, observed=True)["longest_gap_frames"].max()


def _account(
    ledger: Ledger, frames: pd.DataFrame, received: pd.DataFrame, gaps: pd.DataFrame, loss: pd.DataFrame
) -> Ledger:
    copies = int(frames["status"].isin(SECOND_COPIES).sum())
    ledger.add("rows", "frames", len(frames), received=int(loss["received"].sum()), duplicates=copies)
    lost = gaps.groupby([*STREAM, "boot"], observed=True)["frames"].sum()
    for key, seq in received.groupby([*STREAM, "boot"], observed=True)["seq"]:
        node, stream, boot = key
        ledger.add("frames", f"{node}/{stream} boot {boot}", int(seq.max() - seq.min()) + 1,
                   received=len(seq), lost=int(lost.get(key, 0)))  # fmt: skip
    for (node, stream), rows in loss.groupby(STREAM, observed=True):
        own = gaps[(gaps["node"] == node) & (gaps["stream"] == stream)]
        parts = {name.removeprefix("lost_"): int(rows[name].sum()) for name in LOST}
        ledger.add("lost frames", f"{node}/{stream}", int(own["frames"].sum()), **parts)
    return ledger
