"""A session's budget before it happens, from a radio plan and the layout of its frames."""

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

KEY = ["node", "channel", "feature", "start_ns"]


def cost(whole: pd.DataFrame, lossy: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """From tables ``epochs`` of one session, heard in full and through each of several lossy channels.

    A row a feature: its values without loss; the share of these that became null; median, 95th
    percentile of |difference| where a value is left; and the median value, to hold these against.
    """
    pairs = pd.concat([_paired(whole, each) for each in lossy], ignore_index=True)
    rows = []
    for feature, own in pairs.groupby("feature", observed=True, sort=False):
        left = own[own["value_lossy"].notna()]
        apart = (left["value_lossy"] - left["value"]).abs()
        rows.append(
            {
                "feature": str(feature),
                "epochs": len(own),
                "gone": 1 - len(left) / len(own),
                "median": apart.median(),
                "p95": apart.quantile(0.95),
                "value": own["value"].median(),
            }
        )
    return pd.DataFrame(rows, columns=["feature", "epochs", "gone", "median", "p95", "value"])


def _paired(whole: pd.DataFrame, lossy: pd.DataFrame) -> pd.DataFrame:
    """Epochs that have a value without loss, beside what is left of it."""
    text = {"node": str, "channel": str, "feature": str}
    both = [each.astype(text)[[*KEY, "value"]] for each in (whole, lossy)]
    found = both[0].dropna(subset=["value"]).merge(both[1], on=KEY, how="left", suffixes=("", "_lossy"))
    # Without any common instant the two were cut into epochs differently, and nothing can be said.
    return found if found["value_lossy"].notna().any() else found.iloc[:0]


DAY_S = 86_400
APART_PPM = 20.0
"""How far two nodes' crystals may well be apart; common practice, no source."""


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
    """``slots_used`` is the share of time that slots would take; ``clash_s`` how long two nodes that
    have fallen into step go on colliding; ``most_ma`` what the planned hours allow.
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
        return max(each.loss for each in self.streams)

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


def budget(plan: RadioPlan, layout: Layout, where: str = "") -> Budget:
    """The budget; raise SettingsError where a node sends what the layout has no stream for."""
    senders = _senders(plan, layout, where)
    slotted = plan.radio.access == "slots"
    streams = [_stream(plan, layout, own, senders, slotted) for own in senders]
    marks = sum(layout.frame_bytes(k) / k.period_s for k in layout.kinds if k.fields)
    per_day = sum(each.bytes_per_day for each in streams) + round(marks * DAY_S)
    guard = airtime.guard_s(plan.radio.crystal_ppm, plan.radio.beacon_s, plan.radio.jitter_us)
    beacon = airtime.airtime_s(plan.radio.beacon_bytes, plan.radio.overhead_bytes, plan.radio.bit_rate_kbps)
    return Budget(
        streams,
        [_node(plan, name, senders) for name in plan.nodes],
        load=sum(each.duty for each in senders),
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
    known = {kind.stream: kind for kind in layout.kinds if kind.channels}
    out = []
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
            out.append(StreamOnAir(name, stream, on_air, 1 / kind.period_s))
    return out


def _stream(
    plan: RadioPlan, layout: Layout, own: StreamOnAir, senders: list[StreamOnAir], slotted: bool
) -> StreamBudget:
    kind = layout.stream(own.stream)
    met = 0.0 if slotted else airtime.collision(own, senders)
    return StreamBudget(
        own.node,
        own.stream,
        airtime.body_bytes(layout, kind),
        1000 * own.airtime_s,
        own.frames_per_s,
        own.duty,
        1000 * kind.period_s,
        met,
        1 - (1 - met) * (1 - plan.loss.share),
        round(layout.frame_bytes(kind) * own.frames_per_s * DAY_S),
    )


def _node(plan: RadioPlan, name: str, senders: list[StreamOnAir]) -> NodeBudget:
    duty = sum(each.duty for each in senders if each.node == name)
    sending = plan.battery.tx_ma * duty
    mean = (plan.nodes[name].base_ma or plan.battery.base_ma) + sending
    hours = airtime.runtime_h(plan.battery.capacity_mah, plan.battery.usable, mean)
    return NodeBudget(name, duty, mean, sending, hours, hours >= plan.hours)
