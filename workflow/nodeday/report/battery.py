"""The battery of each node, in the few words that a row of the page has room for."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

from nodeday import tables
from nodeday.report.words import number
from nodeday.schemas.codes import BATTERY_STATE
from nodeday.settings import Study

FLAG = {"giving_way": "giving way", "silent_after_fall": "silent after a fall"}


def batteries(study: Study, session: str) -> dict[str, tuple[str, str, str]]:
    """Words, flag and the flag's meaning of each node that sends its voltage; no flag is empty."""
    rows = tables.read(tables.path(study.results, "battery", session), "battery")
    return {
        str(row["node"]): (_words(row), FLAG.get(row["state"], ""), BATTERY_STATE[row["state"]])
        for row in rows.to_dict("records")
    }


def _words(row: Mapping[Hashable, Any]) -> str:
    left = "" if row["left_h"] != row["left_h"] else f", {number(row['left_h'], 0)} h left or less"
    return f"{number(row['first_v'], 2)} to {number(row['last_v'], 2)} V{left}"
