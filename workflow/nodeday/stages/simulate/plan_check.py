"""Whether the plan of a simulated session fits the layout and the nodes of the study."""

from __future__ import annotations

from nodeday.config.models import Node
from nodeday.config.study import HUB
from nodeday.core.errors import SettingsError
from nodeday.layouts import Layout
from nodeday.stages.simulate.scenario import NodePlan, SessionPlan


def check_plan(plan: SessionPlan, layout: Layout, nodes: dict[int, Node]) -> None:
    """Raise SettingsError if a plan does not fit the layout or the nodes of the study."""
    where = f"config/scenario.yaml, session {plan.name}"
    known = {node.node for node in nodes.values()}
    streams = {kind.stream for kind in layout.kinds if kind.channels}
    for node in sorted(known - {HUB}):
        if node not in plan.nodes:
            raise SettingsError(f"nothing is planned for node {node}", where, "an entry under nodes")
        for stream in plan.nodes[node].streams:
            if stream not in streams:
                expected = f"one of {', '.join(sorted(streams))}"
                raise SettingsError(f"node {node} sends {stream}", where, expected)
        _check_pauses(plan.nodes[node], node, layout, where)
    named = [one.node for one in plan.restarts] + [one.node for one in plan.deaths]
    for name in named + [one.node for one in plan.away]:
        if name not in known - {HUB}:
            expected = f"one of {', '.join(sorted(known - {HUB}))}"
            raise SettingsError(f"no node is named {name}", where, expected)
    for minute in plan.minutes():
        if minute * 60 >= plan.seconds:
            raise SettingsError(
                f"something happens at minute {minute:g}",
                where,
                f"a minute of the session, up to {plan.seconds / 60:g}",
            )
    _check_damage(plan, layout, where)


def _check_damage(plan: SessionPlan, layout: Layout, where: str) -> None:
    if plan.channel.corrupt and layout.field("checksum") is None:
        raise SettingsError(
            f"damaged frames, but layout {layout.layout} has no checksum",
            where,
            "corrupt: 0, since nothing could detect a damaged frame",
        )


def _check_pauses(node: NodePlan, name: str, layout: Layout, where: str) -> None:
    """Refuse pauses of a node whose frames hold several samples: these need an even pace."""
    for stream in node.streams if node.pauses else ():
        kind = layout.stream(stream)
        if kind.samples * kind.interleave != 1:
            found = f"node {name} has pauses, but a frame of stream {stream} has several samples"
            raise SettingsError(found, where, "streams of one sample a frame")
