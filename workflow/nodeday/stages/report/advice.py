"""What to do next time: written rules over a session's tables, each with the figure that led to it.

Every rule is a pure function of small tables and gives a list of :class:`Advice`; no advice is a good
sign. Thresholds are a choice of this project where no source is named.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from nodeday.config.models import StudyLimits
from nodeday.stages.report.words import count, duration, listed, number, percent, times

LOSSY, UNLIKE_PP, UNLIKE_TIMES = 0.02, 0.02, 2.0
"""Share lost on the air from which a node is worth advice; how much more than the median of the other
nodes, in share and in ratio, makes it unlike them."""
WEAK_QUARTER = 0.5
"""Share of the losses that lie in the weakest quarter of the signal from which loss goes with it."""
STATE_MIN, STATE_TIMES = 10, 2.0
"""Minutes that each of two states needs to be held against each other, and how many times more is lost."""
OUTAGE = 0.005
SKEW_PPM = 100.0
"""A crystal this far from nominal is none of the usual 20 ppm kind, cold or old as it may be."""
WANDER_PPM = 10.0
BATTERY_LEFT, BATTERY_LOW_V = 0.25, 0.15
"""Left at the end as a share of the session below which a battery would not do again; how far below the
median of the nodes a battery began."""
SPOILED, NOT_WORN, BAD_FRAMES = 0.05, 0.1, 0.002


@dataclass(frozen=True)
class Advice:
    """What to do, about which nodes, because of which figure; ``see`` is the name of the page's figure."""

    rule: str
    nodes: tuple[str, ...]
    do: str
    because: str
    see: str


@dataclass(frozen=True)
class AdviceTables:
    """What the rules look at. ``minutes`` is a stream's minute: node, expected (received or lost on the
    air), lost (on the air), and the wearer's ``state`` in it; the others are tables by their own names.
    """

    hours: float
    limits: StudyLimits
    radio: pd.DataFrame
    signal: pd.DataFrame
    minutes: pd.DataFrame
    gaps: pd.DataFrame
    battery: pd.DataFrame
    clock: pd.DataFrame
    steps: pd.DataFrame
    agreement: pd.DataFrame
    quality: pd.DataFrame
    calibration: pd.DataFrame
    nonwear: pd.DataFrame
    bad_checksums: int
    placements: dict[str, str] = field(default_factory=dict)


def hub(session: AdviceTables) -> list[Advice]:
    """Outages of the hub take all nodes at once, so they come first."""
    mine = session.gaps[session.gaps["cause"] == "hub_outage"]
    if mine.empty:
        return []
    spans = mine.groupby("start_ns")["seconds"].max()
    worst = mine.groupby("node")["seconds"].sum().max()
    if worst < OUTAGE * session.hours * 3600:
        return []
    often = times(int(mine.groupby("node").size().max()))
    return [
        Advice(
            "hub_outage",
            ("hub",),
            "Look at its power, at the plug of its logger and at the space left on it.",
            f"All nodes fell silent together {often}, for {duration(float(worst))} in all, "
            f"{duration(float(spans.max()))} at the longest.",
            "coverage",
        )
    ]


def restarts(session: AdviceTables) -> list[Advice]:
    mine = session.steps[session.steps["kind"] == "node_restart"]
    found = []
    for node, own in mine.groupby("node", observed=True, sort=False):
        silent = own["size_ms"].sum() / 1e3
        told = f", silent for {duration(float(silent))}" if silent > 0 else ""
        found.append(
            Advice(
                "restart",
                (str(node),),
                "Check battery contact and connector; swap it if it does so again.",
                f"It restarted {times(len(own))}{told}.",
                "drift",
            )
        )
    return found


def batteries(session: AdviceTables) -> list[Advice]:
    """A battery that ran down, or that would not do for another such session."""
    rows = session.battery
    usual = float(rows["first_v"].median()) if len(rows) else float("nan")
    ended = set(session.gaps.loc[session.gaps["cause"] == "end_of_battery", "node"].astype(str))
    found = []
    for row in rows.to_dict("records"):
        node, left = str(row["node"]), row["left_h"]
        low = row["first_v"] < usual - BATTERY_LOW_V
        began = f"It began at {number(row['first_v'], 2)} V"
        began += f" (the others at {number(usual, 2)} V)" if low else ""
        if row["state"] == "silent_after_fall" or node in ended:
            do = "Begin with a full battery" if low else "Use a larger battery, or change this cell"
            because = f"{began} and fell silent at {number(row['last_v'], 2)} V."
        elif np.isfinite(left) and left < BATTERY_LEFT * session.hours:
            do = "Begin with a full battery" if low else "Use a larger battery, or change it on the way"
            because = f"{began}; at the end {number(row['last_v'], 2)} V, {number(left)} h left or less."
        else:
            continue
        found.append(Advice("battery", (node,), f"{do}; never charge it while it is worn.", because, "nodes"))
    dead = ended - set(rows["node"].astype(str))
    found += [
        Advice(
            "battery",
            (node,),
            "Look at its battery first, then at its connector.",
            "It fell silent for good before the end and sends no voltage.",
            "coverage",
        )
        for node in sorted(dead)
    ]
    return found


def weakest_quarter(low: pd.Series, expected: pd.Series, lost: pd.Series) -> float:
    """Share (0 to 1) of the losses that lie in the weakest quarter of the frames; 0.25 where loss has
    nothing to do with the signal. A bin that the quarter cuts is shared out evenly.

    >>> weakest_quarter(pd.Series([-70, -60]), pd.Series([50, 50]), pd.Series([10, 0]))
    0.5
    """
    order = np.argsort(low.to_numpy())
    sent, gone = expected.to_numpy(np.float64)[order], lost.to_numpy(np.float64)[order]
    if gone.sum() == 0:
        return 0.0
    within = np.interp(0.25 * sent.sum(), np.append(0, np.cumsum(sent)), np.append(0, np.cumsum(gone)))
    return float(within / gone.sum())


def placing(session: AdviceTables) -> list[Advice]:
    """Loss on the air that goes with what the wearer does or with the signal: antenna and placement.
    Where most nodes tell the same, the advice is for what they share, the hub.
    """
    bound = _bound(session)
    nodes = session.radio["node"].nunique()
    if len(bound) >= 2 and 2 * len(bound) > nodes:
        worst = max(bound, key=lambda node: _loss_of(session, node))
        why, because = bound[worst]
        return [
            Advice(
                "placing",
                ("hub",),
                f"Wear it elsewhere, or turn its antenna: {len(bound)} of {nodes} nodes "
                f"lose {why}, and the hub is what they share.",
                f"{worst.capitalize()}, the worst: {because}",
                "signal",
            )
        ]
    return [
        Advice(
            "placing",
            (node,),
            f"Turn its antenna away from the body, or move it to the other side of "
            f"the {session.placements.get(node, 'body')}: it loses {why}.",
            because,
            "signal",
        )
        for node, (why, because) in bound.items()
    ]


def _bound(session: AdviceTables) -> dict[str, tuple[str, str]]:
    """Of each lossy node whose loss goes with something: with what, and the figure."""
    lossy = [str(n) for n in session.radio.loc[session.radio["radio_loss"] >= LOSSY, "node"]]
    told = {
        node: _by_state(session.minutes[session.minutes["node"] == node])
        or _by_signal(session.signal[session.signal["node"] == node])
        for node in dict.fromkeys(lossy)
    }
    return {node: each for node, each in told.items() if each}


def _by_state(minutes: pd.DataFrame) -> tuple[str, str] | None:
    """Whether much more is lost in one state of the wearer than in another, ten minutes of each."""
    held = minutes.dropna(subset=["state"]).groupby("state", observed=True)
    sums = held[["expected", "lost"]].sum()[(held.size() >= STATE_MIN)]
    sums = sums[sums["expected"] > 0]
    if len(sums) < 2:
        return None
    share = (sums["lost"] / sums["expected"]).sort_values()
    least, most = float(share.iloc[0]), float(share.iloc[-1])
    if most < STATE_TIMES * least or most - least < UNLIKE_PP:
        return None
    return f"most while {share.index[-1]}", (
        f"{percent(most)} lost while {share.index[-1]}, {percent(least)} while {share.index[0]}."
    )


def _by_signal(bins: pd.DataFrame) -> tuple[str, str] | None:
    bins = bins[bins["measure"] == "rssi_dbm"] if (bins["measure"] == "rssi_dbm").any() else bins
    share = weakest_quarter(bins["low"], bins["expected"], bins["lost"]) if len(bins) else 0.0
    if share < WEAK_QUARTER:
        return None
    return (
        "with a weak signal",
        f"{percent(share, 0)} of its losses lie in the weakest quarter of its signal.",
    )


def _loss_of(session: AdviceTables, node: str) -> float:
    return float(session.radio.loc[session.radio["node"] == node, "radio_loss"].max())


def unlike(session: AdviceTables) -> list[Advice]:
    """A node that loses far more than the others and whose loss nothing above explains."""
    explained = set(_bound(session))
    worst = session.radio.groupby("node", observed=True)["radio_loss"].max().dropna()
    found = []
    for node, loss in worst.items():
        others = worst.drop(node)
        if str(node) in explained or others.empty:
            continue
        usual = float(others.median())
        if loss >= LOSSY and loss - usual >= UNLIKE_PP and loss >= UNLIKE_TIMES * usual:
            found.append(
                Advice(
                    "unlike",
                    (str(node),),
                    "Swap it for a spare and try both on the bench: its loss goes "
                    "neither with its signal nor with the wearer.",
                    f"{percent(float(loss))} lost on the air; the other nodes, in the middle, "
                    f"{percent(usual)}.",
                    "loss",
                )
            )
    return found


def damaged(session: AdviceTables) -> list[Advice]:
    """Frames that reach the log damaged: the way from hub to logger, or a receiver that passes them on."""
    received = int(session.radio["received"].sum())
    if not received or session.bad_checksums < BAD_FRAMES * received:
        return []
    return [
        Advice(
            "damaged",
            ("hub",),
            "Try another cable between hub and logger, or a slower port.",
            f"{count(session.bad_checksums)} stretches open like a frame and fail their checksum, for "
            f"{count(received)} received.",
            "loss",
        )
    ]


def together(found: list[Advice]) -> list[Advice]:
    """One advice for all nodes that the same is to be done with, each figure kept."""
    merged: dict[tuple[str, str], list[Advice]] = {}
    for each in found:
        merged.setdefault((each.rule, each.do), []).append(each)
    return [
        group[0]
        if len(group) == 1
        else Advice(
            rule,
            tuple(node for each in group for node in each.nodes),
            do,
            " ".join(f"{listed(list(each.nodes)).capitalize()}: {_lower(each.because)}" for each in group),
            group[0].see,
        )
        for (rule, do), group in merged.items()
    ]


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]
