"""Checks of an audit: limits that a study states, and whether tables agree with the frames."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.models import StudyLimits
from nodeday.core.percent import limit as stated
from nodeday.core.percent import percent
from nodeday.products.audit.describe import duration
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, FEW_RETURNS, SECOND_COPIES
from nodeday.stages.loss.minutes import LOST
from nodeday.stages.loss.statistics import Frames
from nodeday.storage.session_cut import BootNumbers, SessionCut
from nodeday.storage.shares import frame_loss

STREAM = ["node", "stream"]
YES_OR_NO = {
    "finished": "did not run to its end",
    "calibrated": "has no calibration coefficients",
    "bench_passed": "has no bench test on record that it passed",
}
"""Rules without a threshold, with what is said of who does not meet them."""
SHARES = {"min_coverage": "coverage", "min_valid_epochs": "a value in a share of epochs of"}
"""Rules about shares, with what they are shares of."""
MOST = 20
"""Sentences of one kind about one table."""


def broken(nodes: list[str], streams: pd.DataFrame, limits: StudyLimits) -> list[str]:
    """Return a sentence for each limit that a stream of the sensor ``nodes`` breaks.

    ``streams`` are rows of ``radio``; limits are inclusive.
    """
    found = []
    for node in nodes:
        rows = streams[streams["node"] == node]
        if rows.empty and limits.max_loss is not None:
            found.append(f"max_loss: nothing of {node} arrived; the limit is {stated(limits.max_loss)}")
        for row in rows.to_dict("records"):
            name = f"{node}/{row['stream']}"
            loss = frame_loss(row["expected"] - row["received"], row["received"])
            if limits.max_loss is not None and loss > limits.max_loss:
                found.append(
                    f"max_loss: frame loss of {name} is {percent(loss)}; "
                    f"the limit is {stated(limits.max_loss)}"
                )
            if limits.max_gap_s is not None and row["longest_gap_s"] > limits.max_gap_s:
                found.append(
                    f"max_gap_s: the longest hole of {name} is {duration(row['longest_gap_s'])}; "
                    f"the limit is {duration(limits.max_gap_s)}"
                )
            for limit, top, count, what in (
                ("max_unknown_gaps", limits.max_unknown_gaps, row["unknown_gaps"], "gaps of unknown length"),
                ("max_conflicts", limits.max_conflicts, row["conflicts"], "conflicting copies"),
            ):
                if top is not None and count > top:
                    found.append(f"{limit}: {name} has {count} {what}; the limit is {top}")
    return found


def rules_not_met(exclusions: pd.DataFrame) -> list[str]:
    """Return a sentence for each row of a session in table ``exclusions``, in the order of the rules."""
    found = []
    for row in exclusions.sort_values("step", kind="stable").to_dict("records"):
        parts = [str(row[name]) for name in ("node", "channel", "feature") if str(row[name]) != "*"]
        who, rule = "/".join(parts) or "the session", str(row["rule"])
        if rule in YES_OR_NO:
            found.append(f"{rule}: {who} {YES_OR_NO[rule]}")
            continue
        has = _with_unit(rule, row["value"], percent)
        found.append(
            f"{rule}: {who} has {has}; the study asks for {_with_unit(rule, row['threshold'], stated)}"
        )
    return found


def _with_unit(rule: str, value: float, of_share: Callable[[float], str]) -> str:
    """Return a value or threshold of a rule in its unit; ``of_share`` words those of rules about shares."""
    if value != value:
        return "nothing to measure"
    if rule in SHARES:
        return f"{SHARES[rule]} {of_share(value)}"
    return f"{value:.4g} h" if rule == "min_hours" else f"±{value:.4g} ms"


def totals(frames: pd.DataFrame, stored: Frames, cut: SessionCut | None) -> list[str]:
    """Return a sentence for each sum of a table that differs from a plain count of the frames.

    What a transmit list has beyond the edges of boots comes on top, as table ``sent`` says.
    """
    found = []
    for key in stored["radio"][STREAM].astype(str).itertuples(index=False, name=None):
        of_stream = _select(frames, key)
        distinct = of_stream[of_stream["status"].isin(DISTINCT)]
        boots = distinct.groupby("boot")["seq"].agg(["min", "max", "nunique"])
        received, expected = int(boots["nunique"].sum()), int((boots["max"] - boots["min"] + 1).sum())
        if cut is not None:
            of_session = cut.of((key[0], key[1]))
            expected = int((of_session.stop - of_session.first).sum())
            of_stream, distinct = (_within(rows, of_session) for rows in (of_stream, distinct))
            received = len(distinct[["boot", "seq"]].drop_duplicates())
        edges = _select(stored["sent"], key)
        beyond = int(edges[["lost_leading", "lost_trailing"]].to_numpy().sum())
        truth = {
            "received": received,
            "lost": expected - received + beyond,
            "duplicates": int(of_stream["status"].isin(SECOND_COPIES).sum()),
        }
        sums = [("gaps", "lost", int(_select(stored["gaps"], key)["frames"].sum()))]
        for name in ("loss", "radio"):
            rows = _select(stored[name], key)
            sums += [
                (name, "received", int(rows["received"].sum())),
                (name, "lost", int(rows[LOST].to_numpy().sum())),
                (name, "duplicates", int(rows["duplicates"].sum())),
            ]
        found += [
            f"{name}: {what} of {'/'.join(key)} are {count}, counting the frames gives {truth[what]}"
            for name, what, count in sums
            if count != truth[what]
        ]
    return found


def _within(frames: pd.DataFrame, numbers: BootNumbers) -> pd.DataFrame:
    """Return the frames with one of the ``numbers`` of a session."""
    return frames[numbers.hold(frames["boot"].to_numpy(), frames["seq"].to_numpy(np.int64))]


def _select(table: pd.DataFrame, key: tuple[str, ...]) -> pd.DataFrame:
    return table[(table["node"] == key[0]) & (table["stream"] == key[1])]


def shared_addresses(streams: pd.DataFrame) -> list[str]:
    """Return a sentence for each node whose frames go back to an earlier boot again and again.

    ``streams`` are rows of table ``radio``.
    """
    returns = streams.groupby("node", sort=False)["boot_returns"].max()
    return [
        f"{node}: its frames go back to an earlier boot {count} times: several senders seem to share its "
        "address, or it sends frames that it stored before a restart"
        for node, count in returns[returns > FEW_RETURNS].items()
    ]


def own_clocks(clock: pd.DataFrame, declared: Collection[str]) -> list[str]:
    """Return a sentence for each node of ``declared`` network time whose frames show a clock of its own.

    ``clock`` are rows of that table.
    """
    rows = clock[clock["node"].isin(declared)]
    rates = rows.groupby(["time_source", "node"], observed=True)["skew_ppm"].median()
    network_ppm = rates["network"].median() if "network" in rates else np.nan
    return [
        f"{node}: the layout declares ticks of the network (time_source: network), but they walk away from "
        f"those of the other nodes ({ppm - network_ppm:+.1f} ppm) or count from elsewhere; its times come "
        "from its own frames. Declare a layout with time_source: node for it, or look why it lost the network"
        for node, ppm in (rates["node"].items() if "node" in rates else ())
    ]


def differences(stored: Frames, derived: Frames) -> list[str]:
    """Return a sentence for each cell and row in which ``stored`` tables differ from ``derived`` ones."""
    found = []
    for name, table in stored.items():
        key = list(TABLES[name].key)
        left, right = (_keyed(rows, key) for rows in (table, derived[name]))
        for words, rows in (
            ("does not follow from the frames", left.index.difference(right.index)),
            ("is missing", right.index.difference(left.index)),
        ):
            found += [f"{name}: the row of {_named(key, at)} {words}" for at in rows[:MOST]]
        both = left.index.intersection(right.index)
        left, right = left.loc[both], right.loc[both]
        for column in left.columns:
            differ = np.flatnonzero(_unlike(left[column], right[column]))[:MOST]
            found += [
                f"{name}: {column} of {_named(key, both[at])} is {left[column].iloc[at]}, "
                f"the frames give {right[column].iloc[at]}"
                for at in differ.tolist()
            ]
    return found


def _keyed(table: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    text: dict[Any, Any] = {name: str for name in key if table[name].dtype == "category"}
    return table.astype(text).set_index(key)


def _named(key: list[str], at: object) -> str:
    values = at if isinstance(at, tuple) else (at,)
    return ", ".join(f"{name} {value}" for name, value in zip(key, values, strict=True))


def _unlike(left: pd.Series[Any], right: pd.Series[Any]) -> NDArray[np.bool_]:
    """Mask of the cells that differ; floats by more than their last digits, null equals null."""
    if left.dtype.kind == "f":
        close = np.isclose(left.to_numpy(), right.to_numpy(), rtol=1e-9, atol=0, equal_nan=True)
        return np.asarray(~close, np.bool_)
    cells = [column.astype(object).where(column.notna(), None).to_numpy() for column in (left, right)]
    return np.asarray(cells[0] != cells[1], np.bool_)
