"""Gaps, causes, minutes, burst models and signal, and the stage's tables that must agree to the frame."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES
from nodeday.schemas.codes import GAP_CAUSE
from scipy.stats import binomtest

from nodeday.cli.init.folder import copy_settings
from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.paths import DEMO_CONFIG
from nodeday.stages.frames.hub import FrameBlock, HubFollower
from nodeday.stages.loss import burst, causes, minutes, stage, statistics
from nodeday.stages.loss.gaps import MINUTE_NS, due_ns, gaps_of, split
from nodeday.stages.loss.hub import HubRuns
from nodeday.stages.loss.silence import hub_outages, silences
from nodeday.stages.loss.streams import SessionFrames, StreamTiming, session_frames
from nodeday.stages.simulate.truth import Truth
from nodeday.storage import tables
from nodeday.storage.frames import ABSENT, STATUS
from nodeday.storage.ledger import Ledger

S = 1_000_000_000


def ints(*values: int) -> np.ndarray:
    return np.array(values, np.int64)


def flags(text: str, lost: str) -> np.ndarray:
    return np.array([each == lost for each in text])


# --- gaps ---------------------------------------------------------------------------------------


def test_worked_sequence():
    # Worked vector of an 8-bit counter after RFC 1982 and RFC 3550 A.1, unwrapped:
    # 250, 251, 252, 255, 256, 258 with 257 late, 517.
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


def test_split():
    #   lost     [10 11 12 13 14 15)  [20 21)
    #   marked        x  x  x           x
    runs = gaps_of(ints(9, 15, 16, 17, 18, 19, 21))
    assert runs.frames.tolist() == [5, 1]
    parts, marked = split(runs, np.array([0, 1, 1, 1, 0, 1], bool))
    assert list(zip(parts.seq_from, parts.seq_to, marked, strict=True)) == [
        (10, 11, False),
        (11, 14, True),
        (14, 15, False),
        (20, 21, True),
    ]
    assert parts.left.tolist() == [0, 0, 0, 5]
    none, _ = split(gaps_of(ints(1, 2)), np.zeros(0, bool))
    assert len(none.seq_from) == 0


# --- causes -------------------------------------------------------------------------------------


def test_the_hub_was_off_where_its_own_stream_stops_with_all_others():
    #   sensor  0 1 2 3             20 21       41 42
    #   hub     0   2 4             20 22 ... 40
    hub = ints(0, 2, 4, *range(20, 41, 2)) * S
    start, end = hub_outages(ints(0, 1, 2, 3, 20, 21, 41, 42) * S, hub, 2.0)
    assert (start.tolist(), end.tolist()) == ([4 * S], [20 * S])
    assert causes.within(ints(3, 4, 19, 20) * S, start, end).tolist() == [False, True, True, False]
    assert hub_outages(ints(0, 20) * S, ints(0, 6, 20) * S, 5.0)[0].size == 0  # three periods and no more


def test_a_hub_stream_that_stops_while_sensors_go_on_shows_nothing():
    #   sensor  0 1 2 ... 50            70 71 ... 120
    #   hub     0                                 120     it was silent before and after, too
    sensor = ints(*range(51), *range(70, 121)) * S
    assert hub_outages(sensor, ints(0, 120) * S, 1.0)[0].size == 0
    assert hub_outages(sensor, sensor[:0], 1.0)[0].size == 0
    assert hub_outages(sensor, sensor[:51], 1.0)[0].size == 0  # it may have ended for good


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


def test_a_counter_that_lost_its_thread():
    #   raw        6   7   8   0   1   2   3        range 16
    #   unwrapped  6   7   8  11  12  13  14
    seq, raw = ints(6, 7, 8, 11, 12, 13, 14), ints(6, 7, 8, 0, 1, 2, 3)
    boot = np.zeros(7, np.int64)
    assert np.flatnonzero(causes.counter_lost_thread(boot, seq, raw, 16)).tolist() == [2]
    assert not causes.counter_lost_thread(boot, seq, seq % 16, 16).any()
    assert not causes.counter_lost_thread(ints(0, 0, 0, 1, 1, 1, 1), seq, raw, 16).any()


@pytest.mark.parametrize(
    ("before", "after", "periods", "turned"),
    [(250, 10, 400, True), (250, 10, 16, True), (250, 10, 10, False), (100, 3, 20, False)],
)
def test_turns_explain_a_counter_only_where_time_allows_them(before, after, periods, turned):
    assert causes.counter_may_have_turned(before, after, 256, periods) == turned


@pytest.mark.parametrize(
    ("before", "after", "passed_s", "went_on"),
    [
        (5000, 8000, 30.0, True),
        (5000, 3000, 30.0, False),  # began anew at once
        (5000, 8000, 90.0, False),  # zero lies in reach, and they are not where they should be
        (65_000, 64_464, 650.0, False),  # zero lies in reach
        (65_000, 2464, 30.0, False),
        (65_000, 464, 10.0, False),
    ],
)
def test_ticks_that_ran_on(before, after, passed_s, went_on):
    assert causes.ticks_went_on(before, after, 1 << 16, 100.0, passed_s) == went_on


@pytest.mark.parametrize(
    ("before", "after", "periods", "went_on"),
    [
        (200, 7, 63.0, False),  # where counting on leads modulo 256, but zero lies in reach too
        (200, 254, 54.0, True),
        (200, 254, 56.0, False),  # two frames off
        (250, 53, 59.0, False),
        (10, 60, 50.2, True),
        (10, 0, 50.0, False),
    ],
)
def test_a_counter_that_ran_on(before, after, periods, went_on):
    """True only where zero is out of reach and the place is where counting on leads."""
    assert causes.counter_went_on(before, after, 256, periods) == went_on


# --- burst models -------------------------------------------------------------------------------


def test_stream_of_mcgowan():
    # The worked stream of McGowan's burst ratio; 0 = lost: L = .25, mean run 2, B = 1.5.
    lost = flags("1101111100011111", "0")
    assert lost.mean() == 0.25
    assert burst.burst_ratio(lost) == pytest.approx(1.5)


def test_worked_gilbert():
    # Computed by hand from the stream: n01 = 4, n0 = 31, n10 = 4, n1 = 8; 1 = lost.
    lost = flags("0000110000000111000001000000000110000000", "1")
    n00, n01, n10, n11 = burst.Stretches.of(lost).transitions()
    assert (n01, n00 + n01, n10, n10 + n11) == (4, 31, 4, 8)
    model = burst.gilbert(lost)
    assert model == burst.gilbert_from(n00, n01, n10, n11)
    assert model.p == pytest.approx(0.12903, abs=5e-6)
    assert model.r == 0.5
    assert model.loss == pytest.approx(0.20513, abs=5e-6)
    assert model.mean_burst == 2
    assert burst.burst_ratio(lost) == pytest.approx(1.6)


def gilbert_of(loss, mean_burst):
    """The model with a given share lost and mean burst in frames: r = 1 / b, p = r L / (1 - L)."""
    r = 1.0 / mean_burst
    return burst.Gilbert(r * loss / (1.0 - loss), r)


def test_gilbert_of_loss_and_burst():
    model = gilbert_of(0.05, 5)
    assert (model.p, model.r) == (pytest.approx(0.010526, abs=5e-7), pytest.approx(0.2))
    assert model.loss == pytest.approx(0.05)


def test_streams_without_loss_have_no_burst_ratio():
    assert np.isnan(burst.burst_ratio(np.zeros(5, bool)))
    assert np.isnan(burst.gilbert(np.zeros(5, bool)).r)
    none = burst.burst_gap(burst.Stretches.of(np.zeros(5, bool)))
    assert (none.gap_density, none.mean_gap_frames) == (0, 5)
    assert np.isnan([none.burst_density, none.burst_frames, none.burst_sd_frames]).all()


@pytest.mark.parametrize(("count", "of"), [(0, 10), (3, 10), (10, 10), (1, 100_000), (0, 1)])
def test_interval_equals_the_librarys_exact_one(count, of):
    exact = binomtest(count, of).proportion_ci(0.95, "exact")
    assert burst.interval(count, of) == pytest.approx((exact.low, exact.high))


def test_no_interval_without_a_trial():
    assert np.isnan(burst.interval(0, 0)).all()


def test_p_and_r_of_simulated_chains_lie_in_their_intervals():
    """Gilbert chains of known p and r: 95 % intervals hold the truth in about 95 % of 1000 cases."""
    rng, held, tried = np.random.default_rng(3), 0, 0
    for _ in range(500):
        model = gilbert_of(rng.uniform(0.01, 0.3), rng.uniform(1.2, 8))
        lengths = np.stack([rng.geometric(model.p, 60), rng.geometric(model.r, 60)], axis=1).ravel()
        n00, n01, n10, n11 = burst.Stretches.of(
            np.repeat(np.arange(120) % 2 == 1, lengths)[:2000]
        ).transitions()
        for count, of, truth in ((n01, n00 + n01, model.p), (n10, n10 + n11, model.r)):
            low, high = burst.interval(count, of)
            held += low <= truth <= high
            tried += 1
    assert 0.93 <= held / tried <= 0.99


def test_worked_example_of_rfc_3611():
    # RFC 3611 section 4.7.2, 64 packets 10 ms apart, Gmin 16; 1 received, 0 lost, X discarded:
    # one burst of 12 packets (120 ms, density 0.33), gaps of 23 and 29 packets (density 0.04).
    lost = ~flags("11110111111111111111111X111X1011110111111111111111111X1111111111", "1")
    found = burst.burst_gap(burst.Stretches.of(lost))
    assert found.lengths.tolist() == [12]
    assert (found.burst_lost, found.gap_frames, found.gaps, found.gap_lost) == (4, 23 + 29, 2, 2)
    assert found.burst_density == pytest.approx(0.33, abs=0.005)
    assert found.gap_density == pytest.approx(0.04, abs=0.005)


def test_gmin_of_rfc_3611():
    # Fifteen received between two losses: one burst. Sixteen: two lone losses, which are no bursts.
    for between, lengths, alone in ((15, [17], 0), (16, [], 2)):
        found = burst.burst_gap(burst.Stretches.of(np.array([True, *[False] * between, True])))
        assert (found.lengths.tolist(), found.gap_lost) == (lengths, alone)


def naive_bursts(pieces: list[str], gmin: int) -> tuple[list[int], int, int, int, int]:
    """Bursts by the wording of RFC 3611, character by character; x is lost."""
    lengths, lost_in, gap_frames, gap_lost, gaps = [], 0, 0, 0, 0
    for piece in pieces:
        inside = [False] * len(piece)
        at = [i for i, each in enumerate(piece) if each == "x"]
        groups: list[list[int]] = []
        for i in at:
            if groups and i - groups[-1][-1] - 1 < gmin:
                groups[-1].append(i)
            else:
                groups.append([i])
        for group in groups:
            if len(group) > 1:
                lengths.append(group[-1] - group[0] + 1)
                lost_in += len(group)
                inside[group[0] : group[-1] + 1] = [True] * lengths[-1]
            else:
                gap_lost += 1
        gap_frames += inside.count(False)
        gaps += sum(not b and (i == 0 or inside[i - 1]) for i, b in enumerate(inside))
    return lengths, lost_in, gap_frames, gap_lost, gaps


pieces = st.lists(st.text("x.....", min_size=1, max_size=60), min_size=1, max_size=4)


@settings(deadline=None, max_examples=50)
@given(pieces, st.integers(1, 6))
def test_bursts_and_transitions_equal_naive_counting(texts, gmin):
    starts = np.cumsum([0, *(len(each) + 1 for each in texts)])[:-1]
    parts = [burst.Stretches.of(flags(each, "x")) for each in texts]
    within = burst.Stretches(
        starts,
        starts + [len(each) for each in texts],
        np.concatenate([p.first + s for p, s in zip(parts, starts, strict=True)]),
        np.concatenate([p.stop + s for p, s in zip(parts, starts, strict=True)]),
    )
    found = burst.burst_gap(within, gmin)
    told = found.lengths.tolist(), found.burst_lost, found.gap_frames, found.gap_lost, found.gaps
    assert told == naive_bursts(texts, gmin)
    pairs = [a + b for each in texts for a, b in pairwise(each)]
    assert within.transitions() == tuple(pairs.count(pair) for pair in ("..", ".x", "x.", "xx"))
    assert within.lost == "".join(texts).count("x")
    assert found.gap_density <= 1 or found.gap_frames == 0


# --- signal -------------------------------------------------------------------------------------


def test_a_lost_frame_has_the_mean_of_its_received_neighbours():
    #   seq     0   1 2   3      4 5 6     7        radio [1, 3), radio [4, 5), outage [5, 6), radio [6, 7)
    #   rssi  -60       -70              nan
    seq, values = ints(0, 3, 7), np.array([-60.0, -70.0, np.nan])
    none = np.zeros(3, np.int64)
    found = minutes.neighbours(none, seq, values, none, ints(1, 4, 6), ints(3, 5, 7))
    assert found[:2].tolist() == [-65, -70]
    assert np.isnan(found[2])


def test_bins_are_half_open_and_hold_every_frame():
    received = np.array([-61.0, -60.0, -60.0, -58.0, np.nan])
    rows = list(minutes.table_rows("rssi_dbm", received, np.array([-60.5, -70.0])))
    assert [(row["low"], row["high"], row["expected"], row["lost"]) for row in rows] == [
        (-70, -68, 1, 1),
        (-62, -60, 2, 1),
        (-60, -58, 2, 0),
        (-58, -56, 1, 0),
    ]
    assert list(minutes.table_rows("lqi", np.array([np.nan]), np.array([np.nan]))) == []


# --- the stage -----------------------------------------------------------------------------------

PERIODS = {"ecg": 1.0, "acc": 2.0, "mark": 10.0}
HZ, WRAP = 100.0, 1 << 16


def frames_of(rows: list[dict]) -> pd.DataFrame:
    """Rows of table ``frames`` in order of arrival; ticks of a row count hundredths of a second."""
    base = {
        "capture": 0,
        "boot": 0,
        "rssi_dbm": -60.0,
        "lqi": 100.0,
        "battery_v": 4.0,
        "status": "good",
        "mark_utc_ns": pd.NA,
    }
    frame = pd.DataFrame([base | row for row in rows])
    frame = frame.sort_values("at", kind="stable", ignore_index=True) if "at" in frame else frame
    for name, modulus in (("seq", 256), ("ticks", WRAP)):
        raw = frame[name] % modulus
        frame[f"{name}_raw"] = frame[f"{name}_raw"].fillna(raw) if f"{name}_raw" in frame else raw
    for name in ("node", "stream", "status"):
        frame[name] = frame[name].astype("category")
    frame["offset"] = np.arange(len(frame))
    whole_ = dict.fromkeys(["seq", "hub_ns", "seq_raw", "ticks", "ticks_raw", "offset"], "int64")
    return frame.astype(whole_ | {"boot": "int32", "capture": "int16", "mark_utc_ns": "Int64"})


def stream_rows(node: str, stream: str, period: int, keep, boot: int = 0, t0: int = 0, **more) -> list[dict]:
    return [
        {
            "node": node,
            "stream": stream,
            "boot": boot,
            "seq": n,
            "ticks": round(n * period * HZ),
            "hub_ns": (t0 + n * period) * S,
            "at": t0 + n * period,
        }
        | more
        for n in keep
    ]


def received(frames: pd.DataFrame) -> dict[tuple[str, str], dict[str, np.ndarray]]:
    """Columns of table ``frames`` stream by stream, as they are read from it."""
    status = np.array([STATUS.index(each) for each in frames["status"]], np.int8)
    marks = frames["mark_utc_ns"].astype("Int64").fillna(ABSENT).to_numpy(np.int64)
    rows = frames.assign(status=status, row=np.arange(len(frames)), mark_utc_ns=marks)
    return {
        (str(node), str(stream)): {name: own[name].to_numpy() for name in own}
        for (node, stream), own in rows.groupby(["node", "stream"], observed=True)
    }


def runs_of(frames: pd.DataFrame, blocks: int = 1) -> pd.DataFrame:
    """Table ``hub_runs`` as stage `frames` makes it from these rows, in so many blocks."""
    first = frames[frames["capture"] == 0]
    names = sorted(first["node"].unique())
    follower = HubFollower(dict.fromkeys(names, (HZ, WRAP)))
    for own in np.array_split(np.arange(len(first)), blocks):
        part = first.iloc[own]
        at = np.flatnonzero(part["mark_utc_ns"].notna() & part["status"].isin(["good", "late"]))
        follower.add(
            FrameBlock(
                names,
                np.searchsorted(names, part["node"].astype(str)),
                *(part[name].to_numpy() for name in ("boot", "ticks_raw", "hub_ns")),
                at,
                part["mark_utc_ns"].iloc[at].to_numpy(np.int64),
            )
        )
    return follower.table()


def heard(frames: pd.DataFrame, periods: dict[str, float] = PERIODS) -> SessionFrames:
    found = received(frames)
    paces = {(node, stream): StreamTiming(periods[stream], 256, WRAP, HZ) for node, stream in found}
    return session_frames(found, HubRuns.of(runs_of(frames)), paces)


def account(frames: pd.DataFrame, tmp_path, periods: dict[str, float] = PERIODS) -> dict[str, pd.DataFrame]:
    found, boots, _ = stage.account(heard(frames, periods), empty_v=3.0)
    for name, table in found.items():
        tables.validate(TABLES[name], table)
    status = frames["status"].value_counts().to_dict()
    stage.balance(Ledger("loss", "S"), status, boots, found).close(tmp_path)
    return found


def rows_of(table: pd.DataFrame, *names: str) -> list[tuple]:
    return list(table[list(names)].astype(object).itertuples(index=False, name=None))


def test_radio_loss_and_outage_in_one_run_are_told_apart(tmp_path):
    #   heart   0 ...  99 [100 101 lost on the air, 102..149 outage]  150 ... 300
    #   wrist   0 ... 101            [102..149 outage]                150 ... 300
    heart = stream_rows("heart", "ecg", 1, [*range(100), *range(150, 301)])
    wrist = stream_rows("wrist", "acc", 2, [*range(51), *range(75, 151)], t0=1)
    marks = stream_rows("hub", "mark", 10, [*range(11), *range(15, 31)])
    found = account(frames_of(heart + wrist + marks), tmp_path)
    assert rows_of(found["gaps"], "node", "seq_from", "seq_to", "cause") == [
        ("heart", 100, 101, "radio"),
        ("heart", 101, 150, "hub_outage"),
        ("hub", 11, 15, "hub_outage"),
        ("wrist", 51, 75, "hub_outage"),
    ]
    assert found["gaps"]["reason"].isna().all()
    loss = found["loss"]
    assert loss["lost_hub_outage"].sum() == 49 + 4 + 24
    assert loss["lost_radio"].sum() == 1
    ecg = loss[loss["node"] == "heart"].set_index("minute_hub_ns")
    assert ecg["longest_gap_frames"].to_dict() == {
        0: 0,
        MINUTE_NS: 50,
        2 * MINUTE_NS: 0,
        3 * MINUTE_NS: 0,
        4 * MINUTE_NS: 0,
        5 * MINUTE_NS: 0,
    }
    assert ecg["expected"].tolist() == [60, 60, 60, 60, 60, 1]
    heart_row = found["radio"].set_index("node").loc["heart"]
    assert (heart_row["longest_gap_frames"], heart_row["longest_gap_s"], heart_row["longest_run_frames"]) == (
        50,
        50,
        1,
    )
    # The outage ends the stretch: one way into a loss, none out of it.
    assert (heart_row["p"], np.isnan(heart_row["r"])) == (1 / 250, True)


def test_restart_end_and_battery(tmp_path):
    volts = 3.0 + 0.75 * (1 - np.exp(-np.linspace(1, 0, 200) / 0.06))
    dies = [
        row | {"battery_v": v}
        for row, v in zip(stream_rows("ankle", "ecg", 1, range(200)), volts, strict=True)
    ]
    stops = stream_rows("trunk", "ecg", 1, range(200))
    first = stream_rows("wrist", "ecg", 1, range(5, 100))
    second = stream_rows("wrist", "ecg", 1, range(300), boot=1, t0=125)
    found = account(frames_of(dies + stops + first + second), tmp_path)
    gaps, loss = found["gaps"], found["loss"]
    assert rows_of(gaps, "node", "boot", "seq_from", "cause", "before_hub_ns", "after_hub_ns", "reason") == [
        ("ankle", 0, 200, "end_of_battery", 199 * S, pd.NA, "nothing_after"),
        ("trunk", 0, 200, "unknown", 199 * S, pd.NA, "nothing_after"),
        ("wrist", 0, 100, "node_restart", 99 * S, 125 * S, "restart"),
    ]
    assert gaps["frames"].isna().all()
    assert set(gaps["extent"]) == {"unknown"}
    assert loss["expected"].sum() == loss["received"].sum() == 200 + 200 + 95 + 300
    assert found["radio"]["longest_gap_s"].tolist() == [424 - 199, 424 - 199, 25]


def test_second_copies_and_late_frames_are_counted_apart(tmp_path):
    rows = stream_rows("heart", "ecg", 1, [0, 1, 2, 4, 6])
    rows[2]["status"] = "late"
    rows += [rows[1] | {"status": "duplicate"}, rows[1] | {"status": "conflict", "hub_ns": 61 * S, "at": 61}]
    found = account(frames_of(rows), tmp_path)
    assert found["gaps"]["frames"].tolist() == [1, 1]
    assert rows_of(found["loss"], "expected", "received", "duplicates", "conflicts", "late") == [
        (7, 5, 1, 0, 1),
        (0, 0, 1, 1, 0),
    ]
    assert found["loss"]["rssi_dbm"].isna().tolist() == [False, True]
    assert rows_of(found["radio"], "expected", "duplicates", "conflicts", "late") == [(7, 2, 1, 1)]


def test_frames_without_a_place_count_nowhere_but_in_the_ledger(tmp_path):
    rows = stream_rows("heart", "ecg", 1, range(10))
    rows += [
        row | {"status": "unplaced", "capture": 1} for row in stream_rows("heart", "ecg", 1, range(50, 55))
    ]
    found = account(frames_of(rows), tmp_path)
    assert found["gaps"].empty
    assert found["loss"]["received"].sum() == 10
    ledger = tables.read(tables.path(tmp_path, "ledger", "S", "loss"), "ledger")
    assert ledger["detail"].iloc[0] == "received 10, duplicates 0, unplaced 5"


def test_a_counter_that_begins_anew_while_ticks_go_on(tmp_path):
    """::

    heart raw  0 ... 99 | 0 1 2 ...       placed by its ticks at 110: ten places, sent or not
    """
    rows = stream_rows("heart", "ecg", 1, [*range(100), *range(110, 200)])
    rows = [row | {"seq_raw": row["seq"] - 110} if row["seq"] >= 110 else row for row in rows]
    rows[100]["status"] = "inconsistent"
    found = account(frames_of(rows + stream_rows("wrist", "acc", 2, range(100))), tmp_path)
    assert rows_of(found["gaps"], "seq_from", "seq_to", "extent", "cause", "reason") == [
        (100, 110, "known", "unknown", "counter_restart")
    ]
    heart = found["radio"].iloc[0]
    assert (heart["lost_unknown"], heart["lost_radio"], heart["runs"], heart["inconsistent"]) == (10, 0, 0, 1)


def test_a_counter_that_counts_on_while_ticks_jump_lost_nothing(tmp_path):
    """The sender paused: a step of one means that nothing is missing, whatever the clocks show."""
    rows = stream_rows("heart", "ecg", 1, range(200))
    rows = [
        row | {"ticks": row["ticks"] + 3000, "hub_ns": row["hub_ns"] + 30 * S, "at": row["at"] + 30}
        if row["seq"] >= 100
        else row
        for row in rows
    ]
    found = account(frames_of(rows + stream_rows("wrist", "acc", 2, range(115))), tmp_path)
    assert found["gaps"].empty
    assert found["radio"]["longest_gap_s"].tolist() == [0, 0]


@pytest.mark.parametrize(("pause_s", "reason"), [(700, "wraps"), (30, "counter_restart")])
def test_a_counter_that_lost_its_thread_leaves_a_gap_of_unknown_length(tmp_path, pause_s, reason):
    """::

    heart raw  0 ... 99 | 200 201 ...      100 frames or 356 or 612, if there was time for them
    """
    rows = stream_rows("heart", "ecg", 1, range(200))
    rows = [
        row
        | {
            "ticks": row["ticks"] + 100 * pause_s,
            "hub_ns": row["hub_ns"] + pause_s * S,
            "at": row["at"] + pause_s,
            "seq_raw": (row["seq"] + 100) % 256,
        }
        if row["seq"] >= 100
        else row
        for row in rows
    ]
    rows[100]["status"] = "inconsistent"
    found = account(frames_of(rows + stream_rows("wrist", "acc", 2, range(115))), tmp_path)
    heart = found["gaps"][found["gaps"]["node"] == "heart"]
    assert rows_of(heart, "seq_from", "extent", "cause", "reason", "before_hub_ns", "after_hub_ns") == [
        (100, "unknown", "unknown", reason, 99 * S, (100 + pause_s) * S)
    ]
    # Nothing is known of what follows what across it: 198 steps, not 199.
    (own, *_), known = heard(frames_of(rows)).streams_of("heart"), heart[heart["extent"] == "known"]
    laid = statistics.laid_out(own.numbers, known)
    assert statistics.stretches(laid, known, heart).transitions() == (198, 0, 0, 0)


def test_a_network_that_keeps_the_time_shows_a_counter_that_began_anew(tmp_path):
    rows = stream_rows("heart", "ecg", 1, range(100, 200), t0=100)
    after = stream_rows("heart", "ecg", 1, range(50), boot=1, t0=330)
    for row in (*rows, *after):
        row["ticks"] = round((row["at"] + 20_000) * HZ)
    frames = frames_of(rows + after).assign(ticks_raw=lambda table: table["ticks"])
    found = received(frames)
    for boot_field, why in ((False, ("unknown", "counter_restart")), (True, ("node_restart", "restart"))):
        timing = StreamTiming(1.0, 1 << 16, 1 << 40, HZ, has_boot_field=boot_field)
        session = session_frames(found, HubRuns.of(runs_of(frames)), {("heart", "ecg"): timing})
        tables_, *_ = stage.account(session, 3.0)
        assert rows_of(tables_["gaps"], "cause", "reason") == [why]


def test_boots_that_interleave_have_no_gap_between_them(tmp_path):
    one = stream_rows("heart", "ecg", 1, range(200))
    two = stream_rows("heart", "ecg", 1, [*range(50), *range(52, 190)], boot=1, t0=5)
    again = stream_rows("heart", "ecg", 1, range(20), boot=2, t0=230)
    found = account(frames_of(one + two + again), tmp_path)
    assert rows_of(found["gaps"], "boot", "seq_from", "cause") == [
        (1, 50, "radio"),
        (1, 190, "node_restart"),
    ]
    came = [row["boot"] for row in sorted(one + two, key=lambda row: row["at"])]
    returns = sum(now < max(came[:at]) and now != came[at - 1] for at, now in enumerate(came) if at)
    assert returns > 100
    assert found["radio"]["boot_returns"].tolist() == [returns]


# --- silences of several nodes -------------------------------------------------------------------


def silent_session(lost_s, nodes=("a", "b", "c"), loss=0.0, marks=None, seed=1, seconds=2000) -> pd.DataFrame:
    """Frames of nodes that send every second or two, without those of ``lost_s`` and others at random."""
    rng, rows = np.random.default_rng(seed), list[dict]()
    for number, node in enumerate(nodes):
        stream, period = (("ecg", 1), ("acc", 2))[number % 2]
        kept = [
            n
            for n in range(seconds // period)
            if not lost_s[0] <= n * period < lost_s[1] and rng.random() >= loss
        ]
        rows += stream_rows(node, stream, period, kept)
    rows += stream_rows("hub", "mark", 10, marks) if marks is not None else []
    return frames_of(rows)


def causes_of(frames: pd.DataFrame, tmp_path) -> dict[str, int]:
    found = account(frames, tmp_path)["radio"]
    found = found[found["node"] != "hub"]
    return {cause: n for cause in GAP_CAUSE if (n := int(found[f"lost_{cause}"].sum()))}


def test_three_nodes_that_are_silent_together_are_no_chance(tmp_path):
    assert causes_of(silent_session((500, 530)), tmp_path) == {"joint_silence": 30 + 15 + 30}
    found = causes_of(silent_session((500, 530), loss=0.05), tmp_path)
    assert found["joint_silence"] == pytest.approx(75, abs=6)


@pytest.mark.parametrize("nodes", [("a",), ("a", "b")])
def test_one_or_two_streams_never_prove_a_joint_silence(tmp_path, nodes):
    assert set(causes_of(silent_session((500, 900), nodes), tmp_path)) == {"radio"}


def test_streams_of_one_node_never_prove_a_joint_silence(tmp_path):
    frames = silent_session((500, 900), ("a", "a"))
    third = frames[frames["stream"] == "ecg"].assign(stream="gyro", row=0)
    frames = pd.concat([frames, third], ignore_index=True).astype({"stream": "category"})
    periods = PERIODS | {"gyro": 1.0}
    found = account(frames.sort_values("hub_ns", ignore_index=True), tmp_path, periods)["radio"]
    assert found["lost_joint_silence"].sum() == found["lost_hub_outage"].sum() == 0


def test_a_hub_that_goes_on_through_a_silence_was_on(tmp_path):
    frames = silent_session((500, 530), marks=range(200))
    assert causes_of(frames, tmp_path) == {"radio": 75}


def test_a_hub_that_is_too_slow_to_show_it_leaves_a_joint_silence(tmp_path):
    frames = silent_session((501, 509), marks=range(200))
    assert causes_of(frames, tmp_path) == {"joint_silence": 8 + 4 + 8}


def test_a_hub_that_is_silent_too_was_off(tmp_path):
    marks = [n for n in range(200) if not 50 <= n < 57]
    found = causes_of(silent_session((500, 570), marks=marks), tmp_path)
    assert found == {"hub_outage": 70 + 35 + 70}


@pytest.mark.parametrize("loss", [0.05, 0.3, 0.6])
def test_independent_losses_are_no_joint_silence(tmp_path, loss):
    """Below one session in a hundred by design; here 40 sessions have none."""
    for seed in range(40):
        frames = silent_session((0, 0), ("a", "b", "c", "d"), loss, seed=seed, seconds=500)
        session = heard(frames)
        assert silences(session).joint[0].size == 0


@pytest.mark.parametrize("kept", [[0], [0, 1]])
def test_sessions_with_next_to_nothing_do_not_stop_the_account(tmp_path, kept):
    for rows in (
        stream_rows("a", "ecg", 1, kept),
        stream_rows("hub", "mark", 10, kept),
        stream_rows("a", "ecg", 1, kept) + stream_rows("b", "ecg", 1, [0]),
        stream_rows("a", "ecg", 1, kept) + stream_rows("hub", "mark", 10, [0]),
    ):
        account(frames_of(rows), tmp_path)


def test_ticks_that_begin_anew_while_the_counter_goes_on(tmp_path):
    rows = stream_rows("heart", "ecg", 1, range(100))
    # 10 s later: 9 numbers on, and out of reach of a counter that began at zero
    after = [
        row | {"seq_raw": (109 + row["seq"]) % 256}
        for row in stream_rows("heart", "ecg", 1, range(100), boot=1, t0=109)
    ]
    found = account(frames_of(rows + after + stream_rows("wrist", "acc", 2, range(105))), tmp_path)
    assert rows_of(found["gaps"], "boot", "seq_from", "extent", "cause", "reason") == [
        (0, 100, "unknown", "unknown", "ticks_restart")
    ]


def two_nodes_and_marks(before: int, jump: int, away: int, after: int = 300) -> list[dict]:
    """Both nodes and the hub's marks on a hub clock that goes on ``jump`` s further than time did."""
    rows = []
    for node, stream, period, own in (
        ("heart", "ecg", 1, 400),
        ("wrist", "acc", 2, 90),
        ("hub", "mark", 10, 0),
    ):
        for boot, start, end in ((0, 0, before), (1, before + away, before + away + after)):
            for n in range(-(-start // period), -(-end // period)):
                at = n * period
                utc = {"mark_utc_ns": 1_700_000_000 * S + at * S} if node == "hub" else {}
                rows.append(
                    {
                        "node": node,
                        "stream": stream,
                        "boot": boot,
                        "seq": n,
                        "seq_raw": n % 256,
                        "at": at,
                        "ticks": round((at + own) * HZ),
                        "hub_ns": (at + 1000 + (jump if boot else 0)) * S,
                        **utc,
                    }
                )
    return rows


def test_a_hub_clock_that_falls_back_is_a_restart_of_the_hub(tmp_path):
    found = account(frames_of(two_nodes_and_marks(100, -1090, 20)), tmp_path)
    assert rows_of(found["gaps"], "node", "extent", "cause", "reason") == [
        (node, "unknown", "hub_outage", "hub_restart") for node in ("heart", "hub", "wrist")
    ]
    loss = found["loss"]
    assert loss["lost_hub_outage"].sum() == 0
    assert set(loss["hub_run"]) == {0, 1}
    # Both runs have host marks, so that their minutes lie in UTC although hub minutes repeat.
    heart = loss[loss["node"] == "heart"]
    assert heart["minute_utc_ns"].is_monotonic_increasing
    assert not heart["minute_utc_ns"].duplicated().any()
    assert found["radio"]["longest_gap_s"].tolist() == [20, 20, 20]  # by the host's marks
    sensors = [row for row in two_nodes_and_marks(100, -1090, 20) if row["node"] != "hub"]
    found = account(frames_of(sensors), tmp_path)
    assert found["loss"]["minute_utc_ns"].isna().all()
    assert found["radio"]["longest_gap_s"].tolist() == [0, 0]  # without marks nobody knows


def test_a_hub_clock_that_jumps_forward_while_the_nodes_count_on(tmp_path):
    # The nodes' ticks tell of 20 s, the hub's clock of 220 s; no restart from zero reaches heart's ticks.
    rows = [row for row in two_nodes_and_marks(100, 200, 20) if row["node"] != "hub"]
    found = account(frames_of(rows), tmp_path)
    assert set(rows_of(found["gaps"], "cause", "reason")) == {("hub_outage", "hub_restart")}
    assert set(found["loss"]["hub_run"]) == {0, 1}


def test_hub_or_every_node_cannot_always_be_told(tmp_path):
    # As before, but after so long a pause that all ticks might have begun at zero meanwhile.
    rows = two_nodes_and_marks(100, 2000, 20)
    sensors = [row for row in rows if row["node"] != "hub"]
    found = account(frames_of(sensors), tmp_path)
    assert set(rows_of(found["gaps"], "cause", "reason")) == {("unknown", "hub_or_nodes")}
    assert found["radio"]["longest_gap_s"].tolist() == [0, 0]
    # The host's marks settle it: their clock saw no 2000 s.
    found = account(frames_of(rows), tmp_path)
    assert set(rows_of(found["gaps"], "cause", "reason")) == {("hub_outage", "hub_restart")}
    assert found["radio"]["longest_gap_s"].tolist() == [20, 20, 20]


def test_nodes_that_restart_on_their_own_after_an_outage_are_node_restarts(tmp_path):
    rows = two_nodes_and_marks(100, 0, 60)
    for row in rows:
        if row["boot"] and row["node"] != "hub":  # ticks and counters of each begin at zero, 7 s apart
            start = 160 if row["node"] == "heart" else 167
            period = 1 if row["node"] == "heart" else 2
            row["seq"] = row["seq"] - start // period
            row["seq_raw"], row["ticks"] = row["seq"] % 256, round((row["at"] - start) * HZ)
    rows = [row for row in rows if row["ticks"] >= 0]
    for row in rows:
        row["boot"] = 0 if row["node"] == "hub" else row["boot"]
    found = account(frames_of(rows), tmp_path)
    assert [row for row in rows_of(found["gaps"], "node", "cause") if row[0] != "hub"] == [
        ("heart", "node_restart"),
        ("wrist", "node_restart"),
    ]


@pytest.mark.parametrize(
    ("jump", "marked", "began"),
    [
        (-1090, True, ["capture", "fell_back"]),
        (200, False, ["capture", "jumped"]),
        (200, True, ["capture", "jumped"]),
        (2000, False, ["capture", "hub_or_nodes"]),
        (2000, True, ["capture", "jumped"]),
        (0, True, ["capture"]),
    ],
)
@pytest.mark.parametrize("blocks", [1, 2, 7, 400])
def test_runs_of_the_hub_are_the_same_in_any_blocks(
    jump: int, marked: bool, began: list[str], blocks: int
) -> None:
    rows = [row for row in two_nodes_and_marks(100, jump, 20) if marked or row["node"] != "hub"]
    frames = frames_of(rows)
    found = runs_of(frames, blocks)
    tables.validate(TABLES["hub_runs"], found)
    assert found["began"].tolist() == began
    assert found["hub_run"].tolist() == ([0, 0] if began[-1] == "hub_or_nodes" else [0, 1])[: len(began)]
    for row, code, hub_ns, before_ns in found[["row", "began", "hub_ns", "before_hub_ns"]].itertuples(
        index=False
    ):
        assert frames["hub_ns"].iloc[row] == hub_ns
        assert pd.isna(before_ns) if code == "capture" else before_ns == frames["hub_ns"].iloc[row - 1]
        assert code == "capture" or (frames["boot"].iloc[:row] == 0).all()


def test_a_session_without_frames_has_no_run_of_the_hub() -> None:
    found = HubFollower({}).table()
    tables.validate(TABLES["hub_runs"], found)
    assert found.empty


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1), st.floats(0, 0.6))
def test_every_account_sums_to_the_gaps_whatever_is_lost(seed, share):
    rng = np.random.default_rng(seed)
    rows = []
    for node, stream, period in (("heart", "ecg", 1), ("wrist", "acc", 2), ("hub", "mark", 10)):
        n = 400 // period
        at = np.arange(n) * period
        kept = np.flatnonzero((rng.random(n) > share) & ~((at > 150) & (at < 200)))
        own = stream_rows(node, stream, period, kept.tolist())
        rows += [row | {"hub_ns": row["hub_ns"] + int(rng.integers(0, 3)) * S} for row in own]
    frames = frames_of(rows)
    found, *_ = stage.account(heard(frames), 3.0)
    gaps, loss, radio, bursts = (found[name] for name in ("gaps", "loss", "radio", "bursts"))
    known = gaps[gaps["extent"] == "known"]
    for cause in GAP_CAUSE:
        lost = known.loc[known["cause"] == cause, "frames"].sum()
        assert loss[f"lost_{cause}"].sum() == radio[f"lost_{cause}"].sum() == lost
    assert (bursts["length"] * bursts["count"]).sum() == radio["lost_radio"].sum()
    assert bursts["count"].sum() == radio["runs"].sum()
    spans = frames.groupby(["node", "stream"], observed=True)["seq"].agg(lambda s: s.max() - s.min() + 1)
    assert loss["expected"].sum() == radio["expected"].sum() == spans.sum()
    for _, rows_ in found["signal"].groupby(["node", "measure"], observed=True):
        own = radio[radio["node"] == rows_["node"].iloc[0]].iloc[0]
        assert rows_["lost"].sum() == own["lost_radio"]
        assert rows_["expected"].sum() == own["received"] + own["lost_radio"]
    assert (radio["burst_frames"] - radio["burst_lost"] >= 0).all()
    fits = radio[radio["expected_loss"].notna() & (radio["radio_loss"] > 0)]
    assert ((fits["p_low"] <= fits["p"]) & (fits["p"] <= fits["p_high"])).all()


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_the_order_of_arrival_does_not_matter(seed):
    """Milliseconds apart, so that no shuffle looks like a restart of the hub."""
    rng = np.random.default_rng(seed)
    rows = []
    for node, stream, period in (("heart", "ecg", 1), ("wrist", "acc", 2)):
        for boot in range(2):
            kept = np.flatnonzero(rng.random(200 // period) > 0.2)
            rows += stream_rows(node, stream, period, kept.tolist(), boot=boot, t0=400 * boot)
    rows = [row | {"hub_ns": row["hub_ns"] // 1000, "ticks": row["ticks"] * 1000} for row in rows]
    frames = frames_of([{k: v for k, v in row.items() if k != "at"} for row in rows])
    shuffled = frames.iloc[rng.permutation(len(frames))].reset_index(drop=True)
    periods = {name: period / 1000 for name, period in PERIODS.items()}
    one, other = (stage.account(heard(each, periods), 3.0)[0] for each in (frames, shuffled))
    for name, table in one.items():
        of_order = ["boot_returns"] if name == "radio" else []
        assert table.drop(columns=of_order).equals(other[name].drop(columns=of_order)), name


def test_frames_of_a_further_copy_take_the_run_of_their_neighbours(tmp_path):
    rows = two_nodes_and_marks(100, -1090, 20)
    gone = {("heart", 1, 150), ("heart", 0, 50)}
    kept = [row for row in rows if (row["node"], row["boot"], row["seq"]) not in gone]
    copies = [
        row | {"capture": 1, "at": 10_000} for row in rows if (row["node"], row["boot"], row["seq"]) in gone
    ]
    found = account(frames_of(kept + copies), tmp_path)
    assert found["gaps"]["frames"].isna().all()
    assert found["radio"]["recovered"].tolist() == [2, 0, 0]
    own = found["loss"][found["loss"]["recovered"] > 0]
    assert own["hub_run"].tolist() == [0, 1]


# --- the demo's sessions against their truth ----------------------------------------------------

SESSIONS = ("S01-clean", "S02-lossy", "S03-mess")


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Study:
    """The demo's sessions, simulated, decoded and accounted for."""
    folder = tmp_path_factory.mktemp("loss") / "demo"
    copy_settings(folder, DEMO_CONFIG, scenario=True)
    assert main(["simulate", "--study", str(folder)]) == 0
    for session in SESSIONS:
        for each in ("frames", "loss"):
            assert main(["stage", each, session, "--study", str(folder)]) == 0
    return Study(folder)


@pytest.mark.parametrize("session", SESSIONS)
def test_demo_tables_equal_the_truth(demo, session):
    truth = Truth.load(demo.root / "captures" / f"{session}.truth.npz")
    found = {
        name: tables.read(tables.path(demo.results, name, session), name)
        for name in ("gaps", "loss", "radio", "bursts", "signal")
    }
    for key, sent in truth.streams.items():
        node, stream = key.split("/")
        own = {name: t[(t["node"] == node) & (t["stream"] == stream)] for name, t in found.items()}
        row = own["radio"].iloc[0]
        between = np.zeros(len(sent.seq), bool)  # from the first received frame of a boot to the last
        for boot in np.unique(sent.boot[sent.received]):
            at = np.flatnonzero((sent.boot == boot) & sent.received)
            between[at[0] : at[-1] + 1] = True
        lost = between & ~sent.received
        assert row["received"] == own["loss"]["received"].sum() == sent.received.sum()
        assert row["expected"] == own["loss"]["expected"].sum() == between.sum()
        assert (row["duplicates"], row["late"]) == (truth.duplicates[key], truth.late[key])
        assert row["conflicts"] == row["recovered"] == row["inconsistent"] == 0
        for number, cause in enumerate(GAP_CAUSE):
            true = int((lost & (sent.cause == number)).sum())
            told = row[f"lost_{cause}"], own["loss"][f"lost_{cause}"].sum()
            known = own["gaps"].loc[own["gaps"]["cause"] == cause, "frames"].sum()
            assert told == (known, known)
            assert known == true
        assert (own["bursts"]["length"] * own["bursts"]["count"]).sum() == row["lost_radio"]
        if row["lost_radio"] and row["radio_loss"] > 0.001:
            assert row["expected_loss"] == pytest.approx(row["radio_loss"], rel=0.05)


def test_the_demo_shows_how_signal_and_loss_go_together(demo):
    rows = tables.read(tables.path(demo.results, "signal", "S02-lossy"), "signal")
    own = rows[(rows["node"] == "heart") & (rows["measure"] == "rssi_dbm") & (rows["expected"] > 1000)]
    assert own["share"].is_monotonic_decreasing
    assert own["share"].iloc[0] > 0.5 > 0.01 > own["share"].iloc[-1]


def test_stretches_of_boots_and_outages():
    #   boot 0   0 1 . 3 [4 5 outage) 6   boot 1   0 . 2
    (own,) = heard(
        frames_of(
            [
                *stream_rows("heart", "ecg", 1, [0, 1, 3, 6]),
                *stream_rows("heart", "ecg", 1, [0, 2], boot=1, t0=50),
            ]
        )
    ).streams_of("heart")
    known = pd.DataFrame(
        {
            "boot": [0, 0, 1],
            "cause": ["radio", "hub_outage", "radio"],
            "seq_from": [2, 4, 1],
            "seq_to": [3, 6, 2],
        }
    )
    found = statistics.stretches(statistics.laid_out(own.numbers, known), known, known.iloc[:0])
    assert (found.start.tolist(), found.end.tolist()) == ([0, 6, 8], [4, 7, 11])
    assert (found.first.tolist(), found.stop.tolist()) == ([2, 9], [3, 10])
    assert found.transitions() == (1, 2, 2, 0)
