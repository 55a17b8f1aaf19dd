"""A session's budget before it happens: radio and battery, and what the expected loss costs.

The budget follows from a radio plan and the layout of its frames. The cost of loss is measured on the same
simulated minutes with and without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from nodeday.core.errors import SettingsError, did_you_mean
from nodeday.layouts import Layout
from nodeday.stages.devices import airtime
from nodeday.stages.devices.airtime import StreamOnAir
from nodeday.stages.devices.radio_plan import RadioPlan

DAY_S = 86_400
APART_PPM = 20.0
"""How far two nodes' crystals may well be apart; common practice, no source."""
KEY = ["node", "channel", "feature", "start_ns"]
"""Columns of table ``epochs`` that identify a value."""


# --- radio and battery ----------------------------------------------------------------------


@dataclass(frozen=True)
class StreamBudget:
    """A stream: bytes handed to the radio, airtime, and the share of frames expected to be lost."""

    node: str
    stream: str
    body_bytes: int
    airtime_ms: float
    frames_per_s: float
    duty: float
    lost_per_frame_ms: float
    collision: float
    loss: float
    bytes_per_day: int


@dataclass(frozen=True)
class NodeBudget:
    """A node: share of time sending, mean current and runtime, and whether it lasts the session."""

    node: str
    duty: float
    mean_ma: float
    tx_share_ma: float
    runtime_h: float
    lasts: bool


@dataclass(frozen=True)
class Budget:
    """The budget of a session.

    ``slots_used`` is the share of time that slots would take; ``clash_s`` how long two nodes that are in step
    go on colliding; ``most_ma`` the mean current that the planned hours allow.
    """

    streams: list[StreamBudget]
    nodes: list[NodeBudget]
    load: float
    slots_used: float
    guard_us: float
    clash_s: float
    duty_limit: float | None
    most_ma: float
    most_usable_ma: float
    bytes_per_day: int
    bytes_per_session: int

    @property
    def worst_loss(self) -> float:
        """Share of frames lost of the stream that loses most."""
        return max(stream.loss for stream in self.streams)

    def as_dict(self) -> dict[str, Any]:
        """Return all fields by name, for programs."""
        return asdict(self)


def budget(plan: RadioPlan, layout: Layout, where: str = "") -> Budget:
    """Return the budget of a plan.

    Raises SettingsError, located ``where``, if a node sends what the layout has no stream for.
    """
    senders = _senders(plan, layout, where)
    slotted = plan.radio.access == "slots"
    streams = [_stream(plan, layout, sender, senders, slotted) for sender in senders]
    marks = sum(layout.frame_bytes(kind) / kind.period_s for kind in layout.kinds if kind.fields)
    per_day = sum(stream.bytes_per_day for stream in streams) + round(marks * DAY_S)
    guard = airtime.guard_s(plan.radio.crystal_ppm, plan.radio.beacon_s, plan.radio.jitter_us)
    beacon = airtime.airtime_s(plan.radio.beacon_bytes, plan.radio.overhead_bytes, plan.radio.bit_rate_kbps)
    return Budget(
        streams,
        [_node(plan, name, senders) for name in plan.nodes],
        load=sum(sender.duty for sender in senders),
        slots_used=airtime.slots_used(senders, guard, beacon, plan.radio.beacon_s),
        guard_us=1e6 * guard,
        clash_s=airtime.longest_clash_s(senders, APART_PPM),
        duty_limit=airtime.duty_limit(plan.radio.frequency_mhz),
        most_ma=airtime.most_ma(plan.battery.capacity_mah, plan.hours),
        most_usable_ma=airtime.most_ma(plan.battery.capacity_mah * plan.battery.usable, plan.hours),
        bytes_per_day=per_day,
        bytes_per_session=round(per_day * plan.hours / 24),
    )


def _senders(plan: RadioPlan, layout: Layout, where: str) -> list[StreamOnAir]:
    """Return every stream of every node of the plan, on the air."""
    known = {kind.stream: kind for kind in layout.streams if kind.channels}
    senders = []
    for name, node in plan.nodes.items():
        for stream in node.streams:
            if stream not in known:
                raise SettingsError(
                    f"node {name} sends {stream}{did_you_mean(stream, known)}",
                    where,
                    f"streams of layout {layout.layout}: {', '.join(known)}",
                )
            kind = known[stream]
            body = airtime.body_bytes(layout, kind)
            on_air = airtime.airtime_s(body, plan.radio.overhead_bytes, plan.radio.bit_rate_kbps)
            senders.append(StreamOnAir(name, stream, on_air, 1 / kind.period_s))
    return senders


def _stream(
    plan: RadioPlan, layout: Layout, sender: StreamOnAir, senders: list[StreamOnAir], slotted: bool
) -> StreamBudget:
    """Return the budget of one stream among all ``senders``."""
    kind = layout.stream(sender.stream)
    collision = 0.0 if slotted else airtime.collision(sender, senders)
    return StreamBudget(
        sender.node,
        sender.stream,
        airtime.body_bytes(layout, kind),
        1000 * sender.airtime_s,
        sender.frames_per_s,
        sender.duty,
        1000 * kind.period_s,
        collision,
        1 - (1 - collision) * (1 - plan.loss.share),
        round(layout.frame_bytes(kind) * sender.frames_per_s * DAY_S),
    )


def _node(plan: RadioPlan, name: str, senders: list[StreamOnAir]) -> NodeBudget:
    """Return the budget of one node."""
    duty = sum(sender.duty for sender in senders if sender.node == name)
    sending = plan.battery.tx_ma * duty
    mean = (plan.nodes[name].base_ma or plan.battery.base_ma) + sending
    hours = airtime.runtime_h(plan.battery.capacity_mah, plan.battery.usable, mean)
    return NodeBudget(name, duty, mean, sending, hours, hours >= plan.hours)


# --- the cost of loss -----------------------------------------------------------------------


def cost(full: pd.DataFrame, lossy: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return what loss costs each feature: a row for each.

    From tables ``epochs`` of one session: received in ``full``, and through each of several ``lossy``
    channels. Columns: how many epochs have a value without loss; the share of these that became null
    (``gone``); median and 95th percentile of |difference| where a value is left; and the median value, to
    compare these with.
    """
    pairs = pd.concat([_paired(full, table) for table in lossy], ignore_index=True)
    rows = []
    for feature, values in pairs.groupby("feature", observed=True, sort=False):
        left = values[values["value_lossy"].notna()]
        error = (left["value_lossy"] - left["value"]).abs()
        rows.append(
            {
                "feature": str(feature),
                "epochs": len(values),
                "gone": 1 - len(left) / len(values),
                "median": error.median(),
                "p95": error.quantile(0.95),
                "value": values["value"].median(),
            }
        )
    return pd.DataFrame(rows, columns=["feature", "epochs", "gone", "median", "p95", "value"])


def _paired(full: pd.DataFrame, lossy: pd.DataFrame) -> pd.DataFrame:
    """Return the epochs that have a value without loss, with what loss left of it in ``value_lossy``."""
    text = {"node": str, "channel": str, "feature": str}
    both = [table.astype(text)[[*KEY, "value"]] for table in (full, lossy)]
    pairs = both[0].dropna(subset=["value"]).merge(both[1], on=KEY, how="left", suffixes=("", "_lossy"))
    # Without any common instant the two were cut into epochs differently, and cannot be compared.
    return pairs if pairs["value_lossy"].notna().any() else pairs.iloc[:0]
