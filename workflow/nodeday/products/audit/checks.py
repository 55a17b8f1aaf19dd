"""What an audit checks: limits that a study states, and whether tables are what the frames say."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.models import StudyLimits
from nodeday.products.audit.describe import duration, percent
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES
from nodeday.stages.loss.minutes import LOST
from nodeday.stages.loss.statistics import Frames

STREAM = ["node", "stream"]
MOST = 20


def broken(nodes: list[str], streams: pd.DataFrame, limits: StudyLimits) -> list[str]:
    """A sentence for each limit that a stream of the sensor ``nodes`` breaks, from rows of ``radio``;
    limits are inclusive.
    """
    found = []
    for node in nodes:
        rows = streams[streams["node"] == node]
        if rows.empty and limits.max_loss is not None:
            found.append(f"max_loss: nothing of {node} arrived; the limit is {percent(limits.max_loss)}")
        for row in rows.to_dict("records"):
            name, loss = f"{node}/{row['stream']}", 1 - row["received"] / row["expected"]
            if limits.max_loss is not None and loss > limits.max_loss:
                found.append(
                    f"max_loss: {name} lost {percent(loss)}; the limit is {percent(limits.max_loss)}"
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


def totals(frames: pd.DataFrame, stored: Frames) -> list[str]:
    """Frames counted anew, without the stage's own means, against the sums of its tables."""
    found = []
    for key in stored["radio"][STREAM].astype(str).itertuples(index=False, name=None):
        own = _of(frames, key)
        distinct = own[own["status"].isin(DISTINCT)]
        boots = distinct.groupby("boot")["seq"].agg(["min", "max", "nunique"])
        received = int(boots["nunique"].sum())
        truth = {
            "received": received,
            "lost": int((boots["max"] - boots["min"] + 1).sum()) - received,
            "duplicates": int(own["status"].isin(SECOND_COPIES).sum()),
        }
        told = [("gaps", "lost", int(_of(stored["gaps"], key)["frames"].sum()))]
        for name in ("loss", "radio"):
            rows = _of(stored[name], key)
            told += [
                (name, "received", int(rows["received"].sum())),
                (name, "lost", int(rows[LOST].to_numpy().sum())),
                (name, "duplicates", int(rows["duplicates"].sum())),
            ]
        found += [
            f"{name}: {what} of {'/'.join(key)} are {count}, counting the frames gives {truth[what]}"
            for name, what, count in told
            if count != truth[what]
        ]
    return found


def _of(table: pd.DataFrame, key: tuple[str, ...]) -> pd.DataFrame:
    return table[(table["node"] == key[0]) & (table["stream"] == key[1])]


def differences(stored: Frames, derived: Frames) -> list[str]:
    """A sentence for each cell and row in which stored tables are not what the frames lead to."""
    found = []
    for name, table in stored.items():
        key = list(TABLES[name].key)
        mine, theirs = (_keyed(each, key) for each in (table, derived[name]))
        for words, rows in (
            ("is not borne out by the frames", mine.index.difference(theirs.index)),
            ("is missing", theirs.index.difference(mine.index)),
        ):
            found += [f"{name}: the row of {_named(key, at)} {words}" for at in rows[:MOST]]
        both = mine.index.intersection(theirs.index)
        mine, theirs = mine.loc[both], theirs.loc[both]
        for column in mine.columns:
            off = np.flatnonzero(_unlike(mine[column], theirs[column]))[:MOST]
            found += [
                f"{name}: {column} of {_named(key, both[at])} is {mine[column].iloc[at]}, "
                f"the frames say {theirs[column].iloc[at]}"
                for at in off.tolist()
            ]
    return found


def _keyed(table: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    text: dict[Any, Any] = {name: str for name in key if table[name].dtype == "category"}
    return table.astype(text).set_index(key)


def _named(key: list[str], at: object) -> str:
    values = at if isinstance(at, tuple) else (at,)
    return ", ".join(f"{name} {value}" for name, value in zip(key, values, strict=True))


def _unlike(left: pd.Series[Any], right: pd.Series[Any]) -> NDArray[np.bool_]:
    """Where two columns differ; floats by more than their last digits, null equals null."""
    if left.dtype.kind == "f":
        close = np.isclose(left.to_numpy(), right.to_numpy(), rtol=1e-9, atol=0, equal_nan=True)
        return np.asarray(~close, np.bool_)
    cells = [column.astype(object).where(column.notna(), None).to_numpy() for column in (left, right)]
    return np.asarray(cells[0] != cells[1], np.bool_)
