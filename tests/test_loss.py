"""Gaps, causes, minutes, burst models, and the room's tables that must agree to the frame."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES

from nodeday import tables
from nodeday.ledger import Ledger
from nodeday.loss import burst, causes, room
from nodeday.loss.gaps import MINUTE_NS, due_ns, gaps_of, minute_of, split

S = 1_000_000_000


def ints(*values: int) -> np.ndarray:
    return np.array(values, np.int64)


def flags(text: str, lost: str) -> np.ndarray:
    return np.array([each == lost for each in text])


# --- gaps ---------------------------------------------------------------------------------------


def test_worked_sequence():
    # Worked vector: extended 250, 251, 252, 255, 256, 258 with 257 late, 517.
    #   250 251 252 [253, 255) 255 256 257 258 [259, 517) 517
    runs = gaps_of(ints(250, 251, 252, 255, 256, 257, 258, 517))
    assert list(zip(runs.seq_from, runs.seq_to, strict=True)) == [(253, 255), (259, 517)]
    assert runs.frames.tolist() == [2, 258]
    assert runs.left.tolist() == [2, 6]


def test_repeated_or_falling_numbers_are_refused():
    for seq in (ints(1, 1), ints(2, 1)):
        with pytest.raises(ValueError, match="strictly increase"):
            gaps_of(seq)


@settings(deadline=None, max_examples=50)
@given(st.sets(st.integers(-1000, 1000), min_size=1))
def test_received_and_lost_make_the_whole(numbers):
    seq = np.sort(np.array(list(numbers), np.int64))
    runs = gaps_of(seq)
    lost = [n for a, b in zip(runs.seq_from, runs.seq_to, strict=True) for n in range(a, b)]
    assert sorted([*numbers, *lost]) == list(range(min(numbers), max(numbers) + 1))


@settings(deadline=None, max_examples=50)
@given(
    st.lists(
        st.tuples(st.integers(1, 2000), st.integers(-(10**15), 10**15), st.integers(0, 10**14)), max_size=6
    )
)
def test_due_lies_between_both_sides_and_equals_exact_arithmetic(gaps):
    count, before = ints(*(g[0] for g in gaps)), ints(*(g[1] for g in gaps))
    gap, due = due_ns(count, before, before + ints(*(g[2] for g in gaps)))
    exact = [
        b + (2 * span * k + n + 1) // (2 * (n + 1)) for n, b, span in gaps for k in range(1, n + 1)
    ]  # round half up of span k / (n + 1)
    assert due.tolist() == exact
    assert np.bincount(gap, minlength=len(gaps)).tolist() == count.tolist()


def test_due_of_stamps_out_of_order_stays_at_the_earlier_frame():
    _, due = due_ns(ints(2), ints(50), ints(40))
    assert due.tolist() == [50, 50]


def test_minutes_are_half_open_and_floor_below_zero():
    at = ints(0, MINUTE_NS - 1, MINUTE_NS, -1)
    assert minute_of(at).tolist() == [0, 0, MINUTE_NS, -MINUTE_NS]


def test_split():
    #   lost     [10 11 12 13 14 15)  [20 21)
    #   marked        x  x  x           x
    runs = gaps_of(ints(9, 15, 16, 17, 18, 19, 21))
    assert runs.frames.tolist() == [5, 1]
    parts, marked = split(runs, np.array([0, 1, 1, 1, 0, 1], bool))
    assert list(zip(parts.seq_from, parts.seq_to, marked, strict=True)) == [
        (10, 11, False), (11, 14, True), (14, 15, False), (20, 21, True)
    ]  # fmt: skip
    assert parts.left.tolist() == [0, 0, 0, 5]
    none, _ = split(gaps_of(ints(1, 2)), np.zeros(0, bool))
    assert len(none.seq_from) == 0


# --- causes -------------------------------------------------------------------------------------


def test_silence_of_all_nodes():
    #   heart   0 1 2 3             20 21
    #   skin    0       4           20
    start, end = causes.silences(ints(0, 1, 2, 3, 20, 21, 0, 4, 20) * S, 4.0)
    assert (start.tolist(), end.tolist()) == ([4 * S], [20 * S])
    assert causes.within(ints(3, 4, 19, 20) * S, start, end).tolist() == [False, True, True, False]
    assert causes.silences(ints(0, 12) * S, 4.0)[0].size == 0  # three periods and no more


def test_falling_silent_needs_a_minute_and_ten_periods():
    assert not causes.fell_silent(0, 60 * S, 0.08)
    assert causes.fell_silent(0, 61 * S, 0.08)
    assert not causes.fell_silent(0, 99 * S, 10.0)


def test_battery():
    time = np.arange(1000, dtype=np.int64) * S
    plain = 4.1 - 0.3 * np.linspace(0, 1, 1000)
    left = 1 - np.linspace(0, 1, 1000)
    gives_way = 3.0 + 0.75 * (0.4 * left + 0.6 * (1 - np.exp(-left / 0.06)))
    assert causes.battery_fell(time, gives_way)
    assert causes.battery_fell(time[::-1], gives_way[::-1])  # the order of rows is no evidence
    assert not causes.battery_fell(time, plain)
    assert not causes.battery_fell(time, np.full(1000, np.nan))
    assert not causes.battery_fell(time[:10], gives_way[-10:])


# --- burst models -------------------------------------------------------------------------------


def test_stream_of_mcgowan():
    # The worked stream of McGowan's burst ratio; 0 = lost: L = .25, mean run 2, B = 1.5.
    lost = flags("1101111100011111", "0")
    assert lost.mean() == 0.25
    assert burst.burst_ratio(lost) == pytest.approx(1.5)


def test_worked_gilbert():
    # Computed by hand from the stream: n01 = 4, n0 = 31, n10 = 4, n1 = 8; 1 = lost.
    lost = flags("0000110000000111000001000000000110000000", "1")
    model = burst.gilbert(lost)
    assert model.p == pytest.approx(4 / 31)
    assert model.p == pytest.approx(0.12903, abs=5e-6)
    assert model.r == 0.5
    assert model.loss == pytest.approx(0.20513, abs=5e-6)
    assert model.mean_burst == 2
    assert burst.burst_ratio(lost) == pytest.approx(1.6)


def test_gilbert_of_loss_and_burst():
    model = burst.gilbert_of(0.05, 5)
    assert (model.p, model.r) == (pytest.approx(0.010526, abs=5e-7), pytest.approx(0.2))
    assert model.loss == pytest.approx(0.05)


def test_gilbert_recovers_a_simulated_chain():
    rng, model = np.random.default_rng(1), burst.gilbert_of(0.1, 4)
    lengths = np.stack([rng.geometric(model.p, 5000), rng.geometric(model.r, 5000)], axis=1).ravel()
    found = burst.gilbert(np.repeat(np.arange(10_000) % 2 == 1, lengths))
    assert found.p == pytest.approx(model.p, rel=0.05)
    assert found.r == pytest.approx(model.r, rel=0.05)


def test_streams_without_loss_have_no_burst_ratio():
    assert np.isnan(burst.burst_ratio(np.zeros(5, bool)))
    assert np.isnan(burst.gilbert(np.zeros(5, bool)).r)


def test_rfc_3611_bursts():
    # Fifteen received between two losses: one burst. Sixteen: two.
    for between, count in ((15, 1), (16, 2)):
        start, end = burst.bursts(np.array([True, *[False] * between, True]))
        assert len(start) == count
        assert end[-1] == between + 2


# --- the room -----------------------------------------------------------------------------------


def frames_of(rows: list[dict]) -> pd.DataFrame:
    base = {"capture": 0, "boot": 0, "rssi_dbm": -60.0, "lqi": 100.0, "battery_v": 4.0, "status": "good"}
    frame = pd.DataFrame([base | row for row in rows])
    for name in ("node", "stream", "status"):
        frame[name] = frame[name].astype("category")
    return frame.astype({"seq": "int64", "hub_ns": "int64", "boot": "int32"})


def stream_rows(node: str, stream: str, period: int, keep, boot: int = 0, t0: int = 0, **more) -> list[dict]:
    return [
        {"node": node, "stream": stream, "boot": boot, "seq": n, "hub_ns": (t0 + n * period) * S, **more}
        for n in keep
    ]


def account(frames: pd.DataFrame, periods: dict[str, float], tmp_path):
    copies = frames["status"].isin(room.SECOND_COPIES)
    received = frames[~copies].sort_values(["node", "stream", "boot", "seq"], ignore_index=True)
    gaps = room.find_gaps(received, periods)
    loss = room.by_minute(received, frames[copies], gaps)
    for name, table in (("gaps", gaps), ("loss", loss)):
        tables.validate(TABLES[name], table)
    room._account(Ledger("loss", "S"), frames, received, gaps, loss).close(tmp_path)
    return gaps, loss


PERIODS = {"ecg": 1.0, "acc": 2.0, "mark": 10.0}


def test_radio_loss_and_outage_in_one_run_are_told_apart(tmp_path):
    #   heart   0 ...  99 [100 101 lost on the air, 102..149 outage]  150 ... 300
    #   wrist   0 ... 101            [102..149 outage]                150 ... 300
    heart = stream_rows("heart", "ecg", 1, [*range(100), *range(150, 301)])
    wrist = stream_rows("wrist", "acc", 2, [*range(51), *range(75, 151)], t0=1)
    marks = stream_rows("hub", "mark", 10, [*range(11), *range(15, 31)])
    gaps, loss = account(frames_of(heart + wrist + marks), PERIODS, tmp_path)
    found = [tuple(row) for row in gaps[["node", "seq_from", "seq_to", "cause"]].itertuples(index=False)]
    assert found == [
        ("heart", 100, 101, "radio"), ("heart", 101, 150, "hub_outage"),
        ("hub", 11, 15, "hub_outage"), ("wrist", 51, 75, "hub_outage"),
    ]  # fmt: skip
    assert loss["lost_hub_outage"].sum() == 49 + 4 + 24
    assert loss["lost_radio"].sum() == 1
    ecg = loss[loss["node"] == "heart"].set_index("minute_hub_ns")
    assert ecg["longest_gap_frames"].to_dict() == {0: 0, MINUTE_NS: 50, 2 * MINUTE_NS: 0, 3 * MINUTE_NS: 0,
                                                   4 * MINUTE_NS: 0, 5 * MINUTE_NS: 0}  # fmt: skip
    assert ecg["expected"].tolist() == [60, 60, 60, 60, 60, 1]


def test_restart_end_and_battery(tmp_path):
    volts = 3.0 + 0.75 * (1 - np.exp(-np.linspace(1, 0, 200) / 0.06))
    dies = [
        row | {"battery_v": v}
        for row, v in zip(stream_rows("ankle", "ecg", 1, range(200)), volts, strict=True)
    ]
    stops = stream_rows("trunk", "ecg", 1, range(200))
    first = stream_rows("wrist", "ecg", 1, range(5, 100))
    second = stream_rows("wrist", "ecg", 1, range(300), boot=1, t0=125)
    gaps, loss = account(frames_of(dies + stops + first + second), PERIODS, tmp_path)
    rows = gaps[["node", "boot", "seq_from", "extent", "cause", "before_hub_ns", "after_hub_ns"]].astype(
        object
    )
    assert rows.to_numpy().tolist() == [
        ["ankle", 0, 200, "unknown", "end_of_battery", 199 * S, pd.NA],
        ["trunk", 0, 200, "unknown", "unknown", 199 * S, pd.NA],
        ["wrist", 0, 100, "unknown", "node_restart", 99 * S, 125 * S],
    ]
    assert gaps["frames"].isna().all()
    assert loss["expected"].sum() == loss["received"].sum() == 200 + 200 + 95 + 300


def test_second_copies_and_late_frames_are_counted_apart(tmp_path):
    rows = stream_rows("heart", "ecg", 1, [0, 1, 2, 4, 6])
    rows[2]["status"] = "late"
    rows += [rows[1] | {"status": "duplicate"}, rows[1] | {"status": "conflict", "hub_ns": 61 * S}]
    gaps, loss = account(frames_of(rows), PERIODS, tmp_path)
    assert gaps["frames"].tolist() == [1, 1]
    counts = loss[["expected", "received", "duplicates", "late"]]
    assert counts.to_numpy().tolist() == [
        [7, 5, 1, 1],
        [0, 0, 1, 0],
    ]
    assert loss["rssi_dbm"].isna().tolist() == [False, True]


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.floats(0, 0.6))
def test_loss_sums_to_gaps_whatever_is_lost(seed, share):
    rng = np.random.default_rng(seed)
    rows = []
    for node, stream, period in (("heart", "ecg", 1), ("wrist", "acc", 2), ("hub", "mark", 10)):
        n = 400 // period
        kept = np.flatnonzero(
            (rng.random(n) > share) & ~((np.arange(n) * period > 150) & (np.arange(n) * period < 200))
        )
        own = stream_rows(node, stream, period, kept.tolist())
        rows += [row | {"hub_ns": row["hub_ns"] + int(rng.integers(0, 3)) * S} for row in own]
    frames = frames_of(rows)
    received = frames.sort_values(["node", "stream", "boot", "seq"], ignore_index=True)
    gaps = room.find_gaps(received, PERIODS)
    loss = room.by_minute(received, frames[:0], gaps)
    known = gaps[gaps["extent"] == "known"]
    for cause in ("radio", "hub_outage"):
        assert loss[f"lost_{cause}"].sum() == known.loc[known["cause"] == cause, "frames"].sum()
    spans = received.groupby(["node", "stream"], observed=True)["seq"].agg(lambda s: s.max() - s.min() + 1)
    assert loss["expected"].sum() == spans.sum()
