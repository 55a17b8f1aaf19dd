"""Error bars for what was lost: bridges, replays, intervals, and how often they hold the truth."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from hearts import SECOND, START, named, pieces_of, samples_of, series, swaying
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.core.arrays import Bits
from nodeday.core.parallel import Across, map_on_cores
from nodeday.stages.features.heart import error_bars
from nodeday.stages.features.heart.analysis import analyse, analyse_piece
from nodeday.stages.features.heart.conformal import interval
from nodeday.stages.features.heart.error_bars import Domain
from nodeday.stages.features.heart.intervals import FIRST, TOUCHES_GAP, Losses, LossIndex, rr_ms, rr_status
from nodeday.stages.features.heart.rates import BeatSeries, variability
from nodeday.stages.features.heart.replay import GRID_NS, LossPattern, Replays, bridge, moves_ns
from nodeday.stages.features.windows import Windows

quick = settings(deadline=None, max_examples=40)


def holes(length_s: float, every_s: float, hole_s: float, begin_s: float = 0.0) -> LossPattern:
    """So much missing at the end of every so many seconds, from ``begin_s`` on."""
    at = np.arange(round(length_s * 100)) / 100
    missing = (at % every_s >= every_s - hole_s) & (at >= begin_s)
    return LossPattern(0, missing, np.zeros(len(at), np.bool_))


def lossy(full: BeatSeries, losses: LossPattern) -> BeatSeries:
    """What is left of a series where beats in what was lost are not found."""
    cell = np.minimum(full.at_ns // GRID_NS, len(losses.missing) - 1)
    seen = ~losses.unseen[cell]
    at = full.at_ns[seen]
    return BeatSeries(at, rr_ms(at), rr_status(rr_ms(at), losses.index.at(cell[seen])))


# --- what was lost ----------------------------------------------------------------------


def test_a_pattern_is_what_was_lost() -> None:
    missing, computed = np.zeros(2500, np.bool_), np.zeros(2500, np.bool_)
    missing[250:500], computed[1000:1020] = True, True
    missing[2000:] = True
    windows = Windows(START, 12, 1)
    pieces = pieces_of(samples_of(np.zeros(2500), missing, filled=computed), 300, 7)
    found = analyse([analyse_piece(piece, 250.0, windows) for piece in pieces], 250.0, windows)
    assert (found.samples, found.not_received) == (2500, 770)
    assert found.received[[2, 4, 8, 10, 20, -1]].tolist() == [250, 250, 750, 980, 1730, 1730]
    lost = found.losses
    assert np.flatnonzero(lost.computed).tolist() == list(range(400, 408))
    assert lost.missing[100:200].all()
    assert lost.missing[800:1200].all()  # the last two seconds, of which no sample tells
    assert lost.missing.sum() == 500


@pytest.mark.parametrize(("apart_ms", "seen"), [(290, False), (300, True)])
def test_a_stretch_too_short_to_be_searched_shows_no_beat(apart_ms: int, seen: bool) -> None:
    """samples   ....xxx..xxx....     x missing; what is between is searched from 0.3 s on"""
    missing = np.zeros(200, np.bool_)
    missing[50:60] = missing[60 + apart_ms // 10 : 70 + apart_ms // 10] = True
    lost = LossPattern(0, missing, np.zeros(200, np.bool_))
    assert lost.unseen[60] != seen
    assert not lost.unseen[[0, 49, 199]].any()


def test_losses_near_a_window_touch_it() -> None:
    """The interval that ends at a window's first beat begins before it, the one after its last ends later."""
    lost = holes(100, 50, 1)  # lost from 49 s to 50 s, and from 99 s on
    starts = np.array([0, 20, 20, 50, 53, 60]) * SECOND
    ends = np.array([49, 47, 46, 60, 90, 96]) * SECOND
    assert lost.touches(starts, ends).tolist() == [True, True, False, True, False, False]


# --- bridges and replays ----------------------------------------------------------------


def test_a_bridge_divides_what_is_known() -> None:
    """recorded  R 800 R 810 R   2430   R 820 R     bridged: three intervals of 2430 ms in all, along the
    line"""
    rr = np.array([800.0, 800, 800, 810, 2430, 820, 800, 800])
    status = np.array([0, 0, 0, 0, TOUCHES_GAP, 0, 0, 0], np.int8)
    found = bridge(series(rr, status))
    assert np.flatnonzero(found.made_up).tolist() == [5, 6, 7]
    assert found.rr[5:8].sum() == pytest.approx(2430)
    assert found.rr[5:8] == pytest.approx(np.array([812.5, 815, 817.5]) * 2430 / 2445)
    assert found.at_ns[[4, 7]].tolist() == [3210 * 10**6, 5640 * 10**6]
    assert np.diff(found.at_ns) == pytest.approx(found.rr[1:] * 1e6, abs=1)


@quick
@given(st.lists(st.tuples(st.floats(400, 1400), st.sampled_from([0, 0, 0, 2, 3, 4, 6, 7])), max_size=60))
def test_bridges_move_no_beat_and_keep_the_time(given_rr: list[tuple[float, int]]) -> None:
    one = series(np.array([rr for rr, _ in given_rr]), np.array([code for _, code in given_rr], np.int8))
    found = bridge(one)
    assert np.isin(one.at_ns, found.at_ns).all()
    assert (np.diff(found.at_ns) > 0).all()
    inner = ~found.first
    assert np.diff(found.at_ns, prepend=0)[inner] == pytest.approx(found.rr[inner] * 1e6, abs=2)
    assert found.first[0]


def test_a_long_hole_ends_a_stretch() -> None:
    rr = np.full(60, 800.0)
    rr[30] = 11_000
    status = np.zeros(60, np.int8)
    status[30] = TOUCHES_GAP
    found = bridge(series(rr, status))
    begin, end = found.stretches
    assert (begin / SECOND).tolist() == [0.0, pytest.approx(35.0)]
    assert (end / SECOND).tolist() == [pytest.approx(24.0), pytest.approx(58.2)]
    starts = np.array([0, 2, 20, 36]) * SECOND
    assert found.in_one_stretch(starts, starts + 22 * SECOND).tolist() == [True, True, False, True]


def test_replays_of_nothing_leave_everything() -> None:
    one = series(swaying(600))
    replays = Replays(one, holes(600, 1000, 0))
    for replay in map(replays.replay, replays.moves_ns):
        assert np.array_equal(replay.remaining.at_ns, one.at_ns)
        inner = replay.remaining.status != FIRST
        assert (~inner).sum() <= 2  # the first beat, and where the pattern comes round
        assert replay.remaining.rr[inner] == pytest.approx(one.rr[inner], abs=1e-5)
        assert replay.kept[inner].mean() > 0.97


def test_replayed_losses_cost_what_they_cost_in_the_recording() -> None:
    """A hole of 0.5 s in each 8 s over beats 0.8 s apart covers each tenth beat, or none, wherever it is
    moved."""
    one = series(np.full(750, 800.0))
    replays = Replays(one, holes(600, 8, 0.5))
    assert replays.moves_ns.tolist() == moves_ns(600 * SECOND).tolist()
    for replay in map(replays.replay, replays.moves_ns):
        counts = np.bincount(replay.remaining.status, minlength=8)
        hit = len(one.at_ns) - len(replay.remaining.at_ns)
        assert hit == 0 or 73 <= hit <= 77
        assert counts[TOUCHES_GAP] == pytest.approx(hit, abs=4) or hit == 0
        assert replay.kept.sum() >= 750 - 2 * 76 - 2
    everything = Replays(one, holes(600, 8, 8))
    assert not any(len(everything.replay(move).remaining.at_ns) for move in everything.moves_ns)
    assert named(replays.true.status).count("normal") == 750


@quick
@given(st.floats(60, 90_000))
def test_losses_are_moved_and_never_twice_alike(length_s: float) -> None:
    length_ns = round(length_s * 100) * GRID_NS
    moves = moves_ns(length_ns) % length_ns
    assert len(set(moves.tolist())) == len(moves)
    assert moves.min() > 0
    assert (moves % GRID_NS == 0).all()


# --- intervals --------------------------------------------------------------------------


@quick
@given(st.integers(0, 999), st.floats(10, 60))
def test_an_interval_is_right_where_errors_are_known(seed: int, value: float) -> None:
    """Errors that are a known ratio: the interval is the value over that ratio's quantiles."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(20, 50, (400, 1))
    ratio = np.exp(rng.normal(0.1, 0.05, (400, 1)))
    found = interval(np.array([value]), true * ratio, true, "ratio")
    assert found.low[0] == pytest.approx(value / np.quantile(ratio, 0.975), rel=0.03)
    assert found.high[0] == pytest.approx(value / np.quantile(ratio, 0.025), rel=0.03)
    assert found.bias[0] == pytest.approx(value - value / np.median(ratio), abs=1e-3 * value)
    few = interval(np.array([value]), true[:30], true[:30], "ratio")
    assert np.isnan([few.low[0], few.high[0], few.bias[0]]).all()


@pytest.mark.parametrize(("scale", "draws"), [("ratio", 40), ("difference", 16), ("angle", 40)])
def test_exchangeable_errors_are_held_as_often_as_promised(scale: str, draws: int) -> None:
    """One more draw than the replays', of skewed errors whose size differs from window to window tenfold
    (conformal prediction's own promise)."""
    rng = np.random.default_rng(7)
    windows = 2000
    size = 10 ** rng.uniform(-2.5, -1.5, windows)
    error = size * (rng.gamma(2.0, 1.0, (draws + 1, windows)) - 1.5)
    base = rng.uniform(0.3, 0.8, windows)
    forward = {
        "ratio": lambda x: np.exp(x),
        "difference": lambda x: x,
        "angle": lambda x: 100 * np.sin(x) ** 2,
    }[scale]
    true = forward(np.broadcast_to(base, error.shape))
    left = forward(base + error)
    found = interval(left[-1], left[:-1], true[:-1], scale)  # type: ignore[arg-type]
    held = (found.low <= true[-1]) & (true[-1] <= found.high)
    assert held.mean() == pytest.approx(0.95, abs=0.02)
    small, large = size < 0.01, size > 0.01
    assert held[small].mean() == pytest.approx(held[large].mean(), abs=0.03)


def test_windows_that_losses_hardly_change_have_narrow_intervals() -> None:
    """In most windows no replay changes anything, in some a single one does."""
    true = np.full((40, 200), 20.0)
    left = true.copy()
    left[3, ::5] = 22.0
    found = interval(true[0], left, true, "angle")
    assert (found.low <= 20).all()
    assert (found.high >= 20).all()
    assert (found.high - found.low).max() < 3


@quick
@given(st.integers(0, 999), st.floats(0, 100))
def test_a_share_stays_one(seed: int, value: float) -> None:
    rng = np.random.default_rng(seed)
    true = rng.uniform(0, 100, (60, 1))
    found = interval(np.array([value]), np.clip(true + rng.normal(0, 20, (60, 1)), 0, 100), true, "angle")
    assert 0 <= found.low[0] <= found.high[0] <= 100


# --- bars -------------------------------------------------------------------------------


def bars_in(
    domain: Domain,
    recording: BeatSeries,
    losses: LossPattern,
    starts: np.ndarray,
    ends: np.ndarray,
    values: dict[str, np.ndarray],
    across: Across = map,
) -> dict[str, error_bars.Bars]:
    asked = error_bars.BarRequest(domain, starts, ends, values)
    return error_bars.compute_bars(Replays(recording, losses), [asked], across)[0]


def test_where_there_is_nothing_to_replay_on() -> None:
    """No stretch as long as the window, or no beat at all: no bar, and the code says so."""
    starts = np.arange(4) * 30 * SECOND
    value = np.full(4, 30.0)
    losses = holes(130, 13, 11)
    one = lossy(series(swaying(130)), losses)
    for recording in (one, series(np.zeros(0)), BeatSeries(one.at_ns[:0], one.rr[:0], one.status[:0])):
        found = bars_in(Domain.TIME, recording, losses, starts, starts + 30 * SECOND, {"rmssd_ms": value})
        assert (found["rmssd_ms"].how == error_bars.NO_STRETCH).all()
        assert np.isnan(found["rmssd_ms"].low).all()


def test_replays_that_lose_more_than_a_value_may_tell_nothing() -> None:
    """Of each window a tenth to a sixth is lost, in half of the replays more than 13 %."""
    one, losses = series(swaying(1200)), holes(1200, 11, 0.6)
    recording = lossy(one, losses)
    starts = np.arange(12) * 90 * SECOND
    ends = starts + 90 * SECOND
    value = {"rmssd_ms": variability(recording, starts, ends).rmssd_ms}

    def bars(most_lost: float) -> error_bars.Bars:
        asked = error_bars.BarRequest(Domain.TIME, starts, ends, value, most_lost)
        return error_bars.compute_bars(Replays(recording, losses), [asked])[0]["rmssd_ms"]

    every, some, none = (bars(share) for share in (1.0, 0.13, 0.0))
    assert (none.how == error_bars.NO_STRETCH).all()
    assert np.isfinite(every.low).all()
    assert (some.how == error_bars.NO_STRETCH).mean() < 0.5
    given = np.isfinite(some.low)
    assert not np.allclose(some.low[given], every.low[given])


def test_nothing_lost_is_no_error_and_no_value_has_no_bar() -> None:
    value = np.array([30.0, np.nan, 31.0, 29.0])
    starts = np.arange(4) * 30 * SECOND
    one, losses = series(swaying(120)), holes(120, 1000, 0)
    found = bars_in(Domain.TIME, one, losses, starts, starts + 30 * SECOND, {"rmssd_ms": value})["rmssd_ms"]
    assert found.low[[0, 2]].tolist() == found.high[[0, 2]].tolist() == [30.0, 31.0]
    assert found.how.tolist() == [
        error_bars.NOTHING_LOST,
        error_bars.NO_BAR,
        error_bars.NOTHING_LOST,
        error_bars.NOTHING_LOST,
    ]


@pytest.mark.parametrize(("begin_s", "how"), [(0, error_bars.BRIDGED), (1500, error_bars.REPLAYED)])
def test_intervals_hold_the_true_value_about_as_often_as_they_say(begin_s: float, how: int) -> None:
    """A steady process, lossy all the time or at its end only; the truth is known since the losses are
    ours."""
    held: dict[str, list[bool]] = {"rmssd_ms": [], "sdnn_ms": []}
    hows = []
    for seed in range(4):
        one = series(swaying(1800, seed))
        rng = np.random.default_rng(seed + 100)
        frames = np.zeros(180_000 // 8, np.bool_)
        for start in np.flatnonzero(rng.random(len(frames)) < 0.01):
            frames[start : start + rng.integers(1, 8)] = True
        missing = np.repeat(frames, 8) & (np.arange(180_000) >= 100 * begin_s)
        losses = LossPattern(0, missing, np.zeros(180_000, np.bool_))
        recording = lossy(one, losses)
        starts = np.arange(59) * 30 * SECOND
        starts = starts[starts >= (begin_s - 30) * SECOND]
        ends = np.minimum(starts + 90 * SECOND, 1800 * SECOND)
        true, got = (variability(each, starts, ends) for each in (one, recording))
        values = {name: getattr(got, name) for name in held}
        for name, bar in bars_in(Domain.TIME, recording, losses, starts, ends, values).items():
            held[name] += ((bar.low <= getattr(true, name)) & (getattr(true, name) <= bar.high)).tolist()
            hows += bar.how.tolist()
    assert np.mean(np.array(hows) == how) > 0.9
    for hits in held.values():
        assert 0.88 <= np.mean(hits) <= 1.0


def test_spectra_have_bars_that_hold_their_own() -> None:
    """Two tones and 5 % lost: LF and HF of the whole series lie in their bars."""
    one = series(swaying(1200))
    losses = holes(1200, 11, 0.6)
    recording = lossy(one, losses)
    starts = np.arange(6) * 150 * SECOND
    ends = starts + 300 * SECOND

    def powers(of: BeatSeries) -> dict[str, np.ndarray]:
        use = np.isin(of.status, (0, 7))[None]
        found = error_bars.powers_of(
            of.at_ns, of.rr, error_bars.SpectrumRows(starts, ends, use, np.zeros(6, np.int64)), 300.0
        )
        return {f"{name}_ms2": power for name, power in found.items()}

    true, got = powers(one), powers(recording)
    for name, bar in bars_in(Domain.FREQUENCY, recording, losses, starts, ends, got).items():
        assert (bar.how == error_bars.BRIDGED).all()
        assert ((bar.low <= true[name]) & (true[name] <= bar.high)).mean() > 0.8
        assert (bar.high < 3 * true[name]).all()


@given(st.lists(st.sampled_from("mc.."), min_size=1, max_size=80), st.integers(0, 5), st.data())
def test_losses_of_all_positions_and_of_some_are_the_same(
    lost: list[str], guard: int, data: st.DataObject
) -> None:
    """Against a count by hand, too; the guard is 50 ms."""
    positions = np.array(sorted(data.draw(st.sets(st.integers(0, len(lost) - 1)))), np.int64)
    masks = [np.array(lost) == each for each in "mc"]
    every = LossIndex.of(*masks, 20.0 * guard).at(positions)
    some = Losses.of_samples(positions, *masks, 20.0 * guard)
    for one in (every, some):
        assert one.computed.tolist() == masks[1][positions].tolist()
        for row, mask in enumerate(masks):
            assert one.before[row].tolist() == [mask[:at].sum() for at in positions]
            assert one.near[row].tolist() == [
                mask[max(at - guard, 0) : at + guard + 1].any() for at in positions
            ]


def test_losses_of_a_recording_are_counted_once() -> None:
    missing = np.array([True, False, True])
    every = LossIndex.of(missing, ~missing, 1.0)
    counts = every.at(np.arange(3))
    assert counts.before.tolist() == [[0, 1, 1], [0, 0, 1]]
    assert every.at(np.array([2, 1])).before.tolist() == [[1, 1], [1, 0]]
    assert counts.computed.tolist() == [False, True, False]


@given(st.lists(st.booleans(), max_size=300), st.data())
def test_bits_are_the_mask_they_stand_for(given_mask: list[bool], data: st.DataObject) -> None:
    mask = np.array(given_mask, np.bool_)
    bits = Bits.of(mask)
    positions = np.array(data.draw(st.lists(st.integers(0, len(mask)))), np.int64)
    assert bits.count(positions).tolist() == [mask[:at].sum() for at in positions]
    inner = positions[positions < len(mask)]
    assert bits.has(inner).tolist() == mask[inner].tolist()


def test_several_cores_find_the_same_bars() -> None:
    one, losses = series(swaying(1200)), holes(1200, 11, 0.6)
    recording = lossy(one, losses)
    starts = np.arange(6) * 150 * SECOND
    values = {
        Domain.TIME: {"rmssd_ms": np.full(6, 30.0)},
        Domain.FREQUENCY: {"hf_ms2": np.full(6, 300.0)},
    }
    for domain, value in values.items():
        alone, shared = (
            bars_in(domain, recording, losses, starts, starts + 300 * SECOND, value, across)
            for across in (map, partial(map_on_cores, cores=2))
        )
        for name, bar in alone.items():
            assert np.isfinite(bar.low).all()
            for columns in zip(bar.columns, shared[name].columns, strict=True):
                assert columns[0].tolist() == columns[1].tolist()
