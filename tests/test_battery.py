"""Batteries over a session: time left against straight lines, and silences that follow a fall."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES
from test_loss import frames_of, heard, stream_rows

from nodeday.products.audit.describe import battery
from nodeday.stages.loss.battery import fall_v_per_h, medians
from nodeday.stages.loss.causes import battery_fell
from nodeday.stages.loss.stage import account
from nodeday.storage import tables

MINUTES = 120
KNEE = 3.0 + 0.75 * (1 - np.exp(-np.linspace(1, 0, 60 * MINUTES) / 0.06))
"""A cell that holds its voltage and then gives way."""


def by_node(rows: list[dict]) -> pd.DataFrame:  # type: ignore[type-arg]
    """Table ``battery`` of rows of table ``frames``; a cell is empty at 3 V."""
    return account(heard(frames_of(rows)), empty_v=3.0)[0]["battery"]


def table(*rows: list[dict]) -> pd.DataFrame:  # type: ignore[type-arg]
    """Table ``battery`` of streams, beside one that is heard all the time and tells no voltage."""
    others = stream_rows("trunk", "ecg", 1, range(60 * MINUTES), battery_v=np.nan)
    found = by_node([*others, *(row for each in rows for row in each)])
    tables.validate(TABLES["battery"], found)
    return found.set_index("node")


def sent(volts: np.ndarray, first: int = 0, last: int = 60 * MINUTES, boot: int = 0) -> list[dict]:  # type: ignore[type-arg]
    """A frame a second from ``first`` to ``last``, with the voltage of its second."""
    rows = stream_rows("ankle", "ecg", 1, range(last - first), boot=boot, t0=first)
    return [row | {"battery_v": float(v)} for row, v in zip(rows, volts[first:last], strict=True)]


def test_time_left_is_where_a_straight_line_meets_empty() -> None:
    # 4.0 V falling 0.1 V an hour: 3.8 V after two hours, 3.0 V eight hours later.
    row = table(sent(4.0 - 0.1 * np.arange(60 * MINUTES) / 3600)).loc["ankle"]
    assert row["fall_v_per_h"] == pytest.approx(0.1, rel=1e-3)
    assert row["left_h"] == pytest.approx(8.0, abs=0.05)
    assert (row["state"], row["readings"]) == ("holding", 60 * MINUTES)
    assert pd.isna(row["silent_hub_ns"])
    assert battery({"node": "ankle", **row}, 3.0).endswith("about 8 h left to 3 V, or less")


def test_the_end_sets_the_rate() -> None:
    at_h = np.arange(0, 15, 1 / 12)
    level = np.where(at_h < 10, 4.0, 4.0 - 0.05 * (at_h - 10))
    assert fall_v_per_h(at_h, level) == pytest.approx(0.05, rel=1e-6)
    assert fall_v_per_h(at_h[:5], level[:5]) is None


@pytest.mark.parametrize(
    ("volts", "last", "reason", "state"),
    [
        (np.full(60 * MINUTES, 3.9), 60 * MINUTES, "not_falling", "holding"),
        (4.0 - 1e-4 * np.arange(60 * MINUTES), 60 * 20, "silent", "holding"),
        (KNEE, 60 * MINUTES, None, "giving_way"),
    ],
)
def test_no_time_without_a_reason(volts: np.ndarray, last: int, reason: str | None, state: str) -> None:
    row = table(sent(volts, last=last)).loc["ankle"]
    assert (None if pd.isna(row["left_reason"]) else row["left_reason"], row["state"]) == (reason, state)
    assert np.isnan(row["left_h"]) == (reason is not None)


def test_silence_after_a_fall_is_flagged_and_without_one_is_not() -> None:
    knee = 3.0 + 0.75 * (1 - np.exp(-np.linspace(1, 0, 60 * 60) / 0.06))
    gone = table(sent(knee, last=60 * 60)).loc["ankle"]
    assert (gone["state"], gone["silent_hub_ns"]) == ("silent_after_fall", (60 * 60 - 1) * 10**9)
    assert "SILENT AFTER ITS VOLTAGE FELL" in battery({"node": "ankle", **gone}, 3.0)
    steady = table(sent(np.full(60 * 60, 3.9), last=60 * 60)).loc["ankle"]
    assert steady["state"] == "holding"


def test_a_brown_out_is_a_restart_after_a_fall() -> None:
    """The node comes back within seconds, its cell recovered a little: no long silence, a new boot."""
    knee = 3.0 + 0.75 * (1 - np.exp(-np.linspace(1, 0, 60 * 60) / 0.06))
    volts = np.concatenate([knee, np.full(60 * MINUTES - len(knee), 3.5)])
    row = table(sent(volts, last=3600), sent(volts, first=3605, boot=1)).loc["ankle"]
    assert (row["state"], row["silent_hub_ns"]) == ("silent_after_fall", 3599 * 10**9)
    whole = np.full(60 * MINUTES, 3.9)
    row = table(sent(whole, last=3600), sent(whole, first=3605, boot=1)).loc["ankle"]
    assert row["state"] == "holding"


def test_a_silence_of_all_nodes_says_nothing_of_a_battery() -> None:
    knee = 3.0 + 0.75 * (1 - np.exp(-np.linspace(1, 0, 60 * 60) / 0.06))
    volts = np.concatenate([knee, np.full(60 * 60, 3.5)])
    rows = sent(volts, last=3600) + [
        row | {"seq": row["seq"] + 3900, "ticks": row["ticks"] + 390_000} for row in sent(volts, first=3900)
    ]
    others = [
        row
        for row in stream_rows("trunk", "ecg", 1, range(60 * MINUTES), battery_v=np.nan)
        if not 3600 <= row["seq"] < 3900
    ]
    found = by_node(others + rows).set_index("node")
    assert found.loc["ankle", "state"] != "silent_after_fall"


def test_a_node_that_sends_no_voltage_has_no_row() -> None:
    assert by_node(stream_rows("trunk", "ecg", 1, range(100), battery_v=np.nan)).empty


def test_medians_are_of_five_minutes_and_skip_silences() -> None:
    seconds = np.concatenate([np.arange(0, 300), np.arange(900, 1200)]).astype(np.int64)
    at, level = medians(seconds * 10**9, np.where(seconds < 300, 4.0, 3.5))
    assert at.tolist() == [0.0, 0.25]
    assert level.tolist() == [4.0, 3.5]


@settings(deadline=None, max_examples=100)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 50),
    st.floats(0.0, 0.8),
    st.integers(60, 20_000),
    st.sampled_from([0.0, 1.0, 5.0]),
)
def test_the_steps_of_a_converter_are_no_knee(seed, step_mv, fall_v, readings, noise_mv) -> None:
    rng = np.random.default_rng(seed)
    volts = rng.uniform(3.5, 4.2) - fall_v * np.linspace(0, 1, readings)
    volts += rng.normal(0, noise_mv / 1e3, readings)
    volts = np.rint(volts / (step_mv / 1e3)) * (step_mv / 1e3)
    assert not battery_fell(np.arange(readings) * 10**9, volts)


@pytest.mark.parametrize("step_mv", [1, 5, 10, 20, 50])
def test_a_knee_is_found_through_the_steps_of_a_converter(step_mv) -> None:
    left = 1 - np.linspace(0, 1, 7200)
    for share in (0.4, 0.0):  # of the fall that is steady
        volts = 3.0 + 0.75 * (share * left + (1 - share) * (1 - np.exp(-left / 0.06)))
        coarse = np.rint(volts / (step_mv / 1e3)) * (step_mv / 1e3)
        assert battery_fell(np.arange(7200) * 10**9, coarse)
