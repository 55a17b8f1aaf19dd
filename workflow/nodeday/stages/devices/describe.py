"""A session's budget as text and tables that fit a terminal."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from nodeday.schemas import FEATURE
from nodeday.stages.devices.budget import APART_PPM, Budget
from nodeday.stages.devices.radio_plan import RadioPlan

CAUTIONS = (
    "Check local rules for frequency, power and duty cycle; the limits of bands given here are from memory.",
    "Never charge a node while it is worn; cells age, and give less in the cold.",
)


def text(plan: RadioPlan, found: Budget) -> str:
    """Return the budget for people, without what loss costs."""
    parts = [
        _table(
            ["node", "stream", "bytes", "airtime", "frames", "sending", "a lost frame", "collisions", "lost"],
            [
                [
                    stream.node,
                    stream.stream,
                    f"{stream.body_bytes + plan.radio.overhead_bytes}",
                    f"{stream.airtime_ms:.3f} ms",
                    f"{stream.frames_per_s:.3g}/s",
                    f"{stream.duty:.2%}",
                    f"{stream.lost_per_frame_ms:.0f} ms",
                    f"{stream.collision:.1%}",
                    f"{stream.loss:.1%}",
                ]
                for stream in found.streams
            ],
        ),
        "\n".join([*_channel(plan, found), *_duty(plan, found)]),
        _table(
            ["node", "mean", "of it sending", "runtime", f"lasts {plan.hours:g} h"],
            [
                [
                    node.node,
                    f"{node.mean_ma:.2f} mA",
                    f"{node.tx_share_ma:.2f} mA",
                    f"{node.runtime_h:.1f} h",
                    "yes" if node.lasts else "NO",
                ]
                for node in found.nodes
            ],
        ),
        f"A cell of {plan.battery.capacity_mah:g} mAh lasts {plan.hours:g} h at a mean of at most "
        f"{found.most_ma:.1f} mA (common practice, no source), {found.most_usable_ma:.1f} mA of its usable "
        f"{plan.battery.usable:.0%}.\n"
        f"The logger writes {_bytes(found.bytes_per_day)} a day, {_bytes(found.bytes_per_session)} in the "
        "session.",
        "\n".join(CAUTIONS),
    ]
    return "\n\n".join(parts)


def _channel(plan: RadioPlan, found: Budget) -> list[str]:
    """Return sentences on how full the channel is."""
    fit = "fit" if found.slots_used <= 1 else "DO NOT FIT"
    slots = (
        f"Slots for every frame {fit}: with guards of {found.guard_us:.0f} us and a beacon each "
        f"{plan.radio.beacon_s:g} s they take {found.slots_used:.1%} of the time."
    )
    sentences = [f"The channel is busy {found.load:.1%} of the time.", slots]
    if plan.radio.access == "slots":
        return sentences
    sentences.append("Unslotted: every frame that collides is counted as lost (pure ALOHA, from memory).")
    if found.clash_s:
        sentences.append(
            "Two nodes with one frame period collide in clumps: once in step, for up to "
            f"{found.clash_s:.0f} s at {APART_PPM:g} ppm apart.\n"
            "Draw each frame's instant anew, or use slots."
        )
    return sentences


def _duty(plan: RadioPlan, found: Budget) -> list[str]:
    """Return a sentence on the duty cycle."""
    most = max(found.nodes, key=lambda node: node.duty)
    sent = f"{most.node} sends most, {most.duty:.2%} of the time"
    if plan.radio.frequency_mhz is None:
        return [f"{sent}; no frequency is given. Check local rules."]
    if found.duty_limit is None:
        return [
            f"{sent}; no duty cycle is known here for {plan.radio.frequency_mhz:g} MHz. Check local rules."
        ]
    over = [node.node for node in found.nodes if node.duty > found.duty_limit]
    verdict = f"MORE than allowed: {', '.join(over)}" if over else "within it"
    return [
        f"{sent}; at {plan.radio.frequency_mhz:g} MHz a device may send {found.duty_limit:.0%} of the "
        f"time in much of Europe\n(from memory; check local rules): {verdict}."
    ]


@dataclass(frozen=True)
class Simulated:
    """A simulation of loss: what was simulated, the table of ``cost``, the bytes of all tables per hour."""

    loss: float
    burst: float
    minutes: float
    draws: int
    cost: pd.DataFrame
    bytes_per_hour: float


def simulated_text(plan: RadioPlan, simulated: Simulated) -> str:
    """Return what loss costs each feature, with what was simulated."""
    head = (
        f"The session's tables will take about {_bytes(simulated.bytes_per_hour * plan.hours)}, by what "
        f"{simulated.minutes:g} simulated minutes take.\n\n"
        f"What a loss of {simulated.loss:.1%} in bursts of {simulated.burst:.3g} frames costs, in "
        f"{simulated.draws} draws of the same {simulated.minutes:g} simulated minutes\n"
        "(half rest, half walking; invented signals; "
        "this study's epochs and fills; the loss of\nthe stream that loses most):"
    )
    rows = [
        [
            row["feature"],
            FEATURE[row["feature"]].unit,
            f"{row['epochs']}",
            f"{row['gone']:.1%}",
            _figure(row["value"]),
            _figure(row["median"]),
            _figure(row["p95"]),
        ]
        for row in simulated.cost.to_dict("records")
    ]
    return f"{head}\n\n" + _table(
        ["feature", "unit", "epochs", "without value", "typical value", "error, median", "error, 95 %"], rows
    )


def _figure(value: float) -> str:
    """Return a figure of three digits, or a dash for NaN."""
    return "-" if pd.isna(value) else f"{value:.3g}"


def _bytes(count: float) -> str:
    """Return a size as text.

    >>> _bytes(950), _bytes(1_240_000), _bytes(3.2e9)
    ('950 B', '1.2 MB', '3.2 GB')
    """
    for size, unit in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count:.0f} B"


def _table(head: list[str], rows: list[list[str]]) -> str:
    """Return a table as text; words to the left, figures to the right."""
    lines = [head, *rows]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    return "\n".join(
        "  ".join(
            cell.ljust(width) if (column < 2 and len(head) > 5) or column < 1 else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    )
