"""Advice for the next session on radio, batteries and hub: rules, each with the value that led to it.

Every rule is a pure function of small tables and returns a list of :class:`Advice`; no advice is a good
sign. Thresholds are a choice of this project where no source is named. :mod:`.advice_time` holds the rules on
clocks, electrodes, wear and calibration, :mod:`.next_time` applies all of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from nodeday.config.models import StudyLimits
from nodeday.schemas.codes import FEW_RETURNS
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
    """Advice: what to do, with which nodes, because of which value; ``see`` names a figure of the page."""

    rule: str
    nodes: tuple[str, ...]
    do: str
    because: str
    see: str


@dataclass(frozen=True)
class AdviceTables:
    """Tables of a session that the rules read.

    A row of ``minutes`` is a minute of a stream: node, expected (received or lost on the air), lost (on the
    air), and the ``state`` of the wearer. ``gaps`` are lost spans with cause and seconds. The others are
    tables of the data model, without the hub.
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


def hub_outages(session: AdviceTables) -> list[Advice]:
    """Advise on outages of the hub; they take all nodes at once, so they come first."""
    do = "Look at its power, at the plug of its logger and at the space left on it."
    return list(_silences(session, "hub_outage", "The hub fell silent together with all nodes", do))


def joint_silences(session: AdviceTables) -> list[Advice]:
    """Advise on silences of several nodes, which may be the hub's."""
    do = "Look at it, and let it send a frame of its own every second or so, which shows whether it was on."
    return list(_silences(session, "joint_silence", "Several nodes fell silent together", do))


def _silences(session: AdviceTables, cause: str, what: str, do: str) -> Iterator[Advice]:
    silent = session.gaps[session.gaps["cause"] == cause]
    if silent.empty:
        return
    longest = float(silent.groupby("start_ns")["seconds"].max().max())
    worst = float(silent.groupby("node")["seconds"].sum().max())
    if worst < OUTAGE * session.hours * 3600:
        return
    often = times(int(silent.groupby("node").size().max()))
    because = f"{what} {often}, for {duration(worst)} in all, {duration(longest)} at the longest."
    yield Advice(cause, ("hub",), do, because, "coverage")


def returning(session: AdviceTables) -> dict[str, int]:
    """Return how often the frames of nodes go back to an earlier boot, where that is often."""
    returns = session.radio.groupby("node", observed=True, sort=False)["boot_returns"].max()
    return {str(node): int(often) for node, often in returns[returns > FEW_RETURNS].items()}


def restarts(session: AdviceTables) -> list[Advice]:
    """Advise on nodes that restarted; boots of several senders at one address are no restarts."""
    steps = session.steps[session.steps["kind"] == "node_restart"]
    steps = steps[~steps["node"].isin(returning(session))]
    found = []
    for node, restarted in steps.groupby("node", observed=True, sort=False):
        silent_s = float(restarted["size_ms"].sum() / 1e3)
        silent = f", silent for {duration(silent_s)}" if silent_s > 0 else ""
        found.append(
            Advice(
                "restart",
                (str(node),),
                "Check battery contact and connector; swap it if it does so again.",
                f"It restarted {times(len(restarted))}{silent}.",
                "drift",
            )
        )
    return found


def batteries(session: AdviceTables) -> list[Advice]:
    """Advise on batteries that ran down, or that would not last another such session."""
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
    """Return the share (0 to 1) of the losses that lie in the quarter of the frames with weakest signal.

    Bins (n,) of signal begin at ``low``. 0.25 means that loss does not depend on the signal. A bin that
    the quarter cuts is shared out evenly.

    >>> weakest_quarter(pd.Series([-70, -60]), pd.Series([50, 50]), pd.Series([10, 0]))
    0.5
    """
    order = np.argsort(low.to_numpy())
    sent, gone = expected.to_numpy(np.float64)[order], lost.to_numpy(np.float64)[order]
    if gone.sum() == 0:
        return 0.0
    within = np.interp(0.25 * sent.sum(), np.append(0, np.cumsum(sent)), np.append(0, np.cumsum(gone)))
    return float(within / gone.sum())


def placement(session: AdviceTables) -> list[Advice]:
    """Advise on antennas and placement: loss on the air that goes with activity or with weak signal.

    Where it does for most nodes, the advice is for what they share, the hub.
    """
    explained = _explained(session)
    nodes = session.radio["node"].nunique()
    if len(explained) >= 2 and 2 * len(explained) > nodes:
        worst = max(explained, key=lambda node: _loss_of(session, node))
        why, because = explained[worst]
        return [
            Advice(
                "placing",
                ("hub",),
                f"Wear it elsewhere, or turn its antenna: {len(explained)} of {nodes} nodes "
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
        for node, (why, because) in explained.items()
    ]


def _explained(session: AdviceTables) -> dict[str, tuple[str, str]]:
    """Each lossy node whose loss goes with activity or signal: when it loses, and the value behind that."""
    lossy = [str(n) for n in session.radio.loc[session.radio["radio_loss"] >= LOSSY, "node"]]
    found = {
        node: _by_state(session.minutes[session.minutes["node"] == node])
        or _by_signal(session.signal[session.signal["node"] == node])
        for node in dict.fromkeys(lossy)
    }
    return {node: reason for node, reason in found.items() if reason}


def _by_state(minutes: pd.DataFrame) -> tuple[str, str] | None:
    """Reason for loss that is much greater in one state of the wearer than in another, if it is."""
    held = minutes.dropna(subset=["state"]).groupby("state", observed=True)
    sums = held[["expected", "lost"]].sum()[held.size() >= STATE_MIN]
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
    """Reason for loss that goes with a weak signal, if it does."""
    bins = bins[bins["measure"] == "rssi_dbm"] if (bins["measure"] == "rssi_dbm").any() else bins
    share = weakest_quarter(bins["low"], bins["expected"], bins["lost"]) if len(bins) else 0.0
    if share < WEAK_QUARTER:
        return None
    because = f"{percent(share, 0)} of its losses lie in the weakest quarter of its signal."
    return "with a weak signal", because


def _loss_of(session: AdviceTables, node: str) -> float:
    return float(session.radio.loc[session.radio["node"] == node, "radio_loss"].max())


def unlike_nodes(session: AdviceTables) -> list[Advice]:
    """Advise on nodes that lose far more than the others without an explanation by ``placement``."""
    explained = set(_explained(session))
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
    """Advise on frames that reach the log damaged, on the way from the hub to the logger."""
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


def merged(advice: list[Advice]) -> list[Advice]:
    """Merge advice of one rule to do one thing into one for all its nodes, every value kept."""
    groups: dict[tuple[str, str], list[Advice]] = {}
    for one in advice:
        groups.setdefault((one.rule, one.do), []).append(one)
    return [
        group[0]
        if len(group) == 1
        else Advice(
            rule,
            tuple(node for one in group for node in one.nodes),
            do,
            " ".join(f"{listed(list(one.nodes)).capitalize()}: {_lower(one.because)}" for one in group),
            group[0].see,
        )
        for (rule, do), group in groups.items()
    ]


def _lower(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]
