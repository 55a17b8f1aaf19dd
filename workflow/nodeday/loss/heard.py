"""What was heard of each stream: its distinct frames in order, on the hub's time while it was on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.arrays import Bools, Floats, Ints
from nodeday.loss import hub
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES

COLUMNS = [
    "capture", "offset", "node", "stream", "boot", "seq_raw", "seq", "ticks_raw", "ticks", "hub_ns",
    "mark_utc_ns", "rssi_dbm", "lqi", "battery_v", "status",
]  # fmt: skip


@dataclass(frozen=True)
class Pace:
    """What a layout says of a stream's frames: nominal period, and counters with their ranges."""

    period_s: float
    seq_modulus: int = 256
    tick_modulus: int = 1 << 24
    tick_hz: float = 32768.0


@dataclass(frozen=True)
class Heard:
    """Distinct frames of one stream by boot and number, (n,) each, and the stamps of second copies
    (c,). ``on_ns`` is the hub's time while it was on, without jumps; ``run`` counts its restarts."""

    node: str
    stream: str
    pace: Pace
    boot: Ints
    seq: Ints
    seq_raw: Ints
    ticks: Ints
    ticks_raw: Ints
    hub_ns: Ints
    on_ns: Ints
    run: Ints
    recovered: Bools
    late: Bools
    odd: Bools
    rssi: Floats
    lqi: Floats
    volts: Floats
    copy_hub_ns: Ints
    copy_run: Ints
    copy_conflict: Bools


@dataclass(frozen=True)
class Session:
    """All streams in order of node and stream, and what the hub did meanwhile."""

    streams: list[Heard]
    hub: hub.Hub

    @property
    def on_ns(self) -> Ints:
        return np.concatenate([np.empty(0, np.int64), *(each.on_ns for each in self.streams)])


def listen(frames: pd.DataFrame, paces: Mapping[tuple[str, str], Pace]) -> Session:
    """Streams of a table ``frames`` (rows in capture order); ``paces`` by (node, stream)."""
    node, stream, status = (_codes(frames[name]) for name in ("node", "stream", "status"))
    distinct, copies = (_is(status, codes) for codes in (DISTINCT, SECOND_COPIES))
    placed = distinct | copies
    boot, hub_ns = frames["boot"].to_numpy(np.int64), frames["hub_ns"].to_numpy(np.int64)
    rate = {str(name): pace for (name, _), pace in paces.items()}
    known = [rate.get(str(name), Pace(1.0)) for name in node[1]]
    own = hub.follow(
        hub_ns, frames["capture"].to_numpy(np.int64), node[0], boot, frames["ticks"].to_numpy(np.int64),
        frames["ticks_raw"].to_numpy(np.int64), [(each.tick_hz, each.tick_modulus) for each in known],
        [str(name) == hub.HUB for name in node[1]], _marks(frames, status),
    )  # fmt: skip
    # Streams are few: a narrow number for each lets the stable sort be a radix sort.
    number = (node[0] * len(stream[1]) + stream[0]).astype(np.int16)
    number[~placed] = -1
    order = np.argsort(number, kind="stable")
    edges = np.searchsorted(number[order], np.arange(len(node[1]) * len(stream[1]) + 1))
    found = []
    for at in range(len(edges) - 1):
        rows = order[edges[at] : edges[at + 1]]
        if len(rows):
            names = str(node[1][at // len(stream[1])]), str(stream[1][at % len(stream[1])])
            # Only second copies of a stream cannot be: the first copy is distinct.
            found.append(_heard(*names, paces[names], frames, own, rows, distinct, status))
    return Session(sorted(found, key=lambda each: (each.node, each.stream)), own)


def _codes(column: pd.Series[Any]) -> tuple[Ints, list[str]]:
    whole = column.astype("category").cat
    return whole.codes.to_numpy().astype(np.int64), [str(name) for name in whole.categories]


def _is(status: tuple[Ints, list[str]], codes: Sequence[str]) -> Bools:
    return np.isin(status[0], [at for at, name in enumerate(status[1]) if name in codes])


def _marks(frames: pd.DataFrame, status: tuple[Ints, list[str]]) -> tuple[Ints, Ints]:
    """Rows of the host marks that stand in place, and the host's UTC in them."""
    sound = _is(status, ["good", "late"])
    rows = np.flatnonzero(frames["mark_utc_ns"].notna().to_numpy() & sound)
    return rows, frames["mark_utc_ns"].iloc[rows].to_numpy(np.int64)


def _heard(
    node: str, stream: str, pace: Pace, frames: pd.DataFrame, own: hub.Hub, rows: Ints, distinct: Bools,
    status: tuple[Ints, list[str]],
) -> Heard:  # fmt: skip
    def of(name: str, dtype: Any = np.int64) -> NDArray[Any]:
        return frames[name].to_numpy()[main].astype(dtype, copy=False)

    def is_(code: str, at: Ints) -> Bools:
        return _is((status[0][at], status[1]), [code])

    again, main = rows[~distinct[rows]], rows[distinct[rows]]
    # Nearly in order already, which is what the stable sort is quick at.
    order = np.argsort(of("seq"), kind="stable")
    main = main[order]
    if (np.diff(of("boot")) != 0).any():
        main = main[np.argsort(of("boot"), kind="stable")]
    return Heard(
        node, stream, pace, of("boot"), of("seq"), of("seq_raw"), of("ticks"), of("ticks_raw"), of("hub_ns"),
        own.on_ns[main], own.run[main], of("capture") > 0, is_("late", main), is_("inconsistent", main),
        of("rssi_dbm", np.float64), of("lqi", np.float64), of("battery_v", np.float64),
        frames["hub_ns"].to_numpy(np.int64)[again], own.run[again], is_("conflict", again),
    )  # fmt: skip
