"""What to do next time: each rule on small tables, just past its threshold and just short of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nodeday.config.models import StudyLimits
from nodeday.stages.report import advice, advice_time, next_time
from nodeday.stages.report.advice import Advice, AdviceTables

NODES = ("heart", "trunk", "wrist", "ankle")
MINUTE = 60_000_000_000


def table(**columns: object) -> pd.DataFrame:
    return pd.DataFrame(columns)


@pytest.fixture
def good() -> AdviceTables:
    """A session of eight hours in which nothing stands out."""
    return AdviceTables(
        hours=8.0,
        limits=StudyLimits(),
        radio=table(
            node=NODES,
            radio_loss=[0.004, 0.005, 0.006, 0.005],
            received=[90_000] * 4,
            boot_returns=[0, 1, 3, 0],
        ),
        signal=table(
            node=["heart"] * 2, measure=["rssi_dbm"] * 2, low=[-70.0, -60.0], expected=[500, 500], lost=[2, 2]
        ),
        minutes=table(node=["heart"] * 2, expected=[750, 750], lost=[3, 3], state=["walking", "upright"]),
        gaps=table(node=["heart"], cause=["radio"], start_ns=[0], seconds=[0.3]),
        battery=table(
            node=NODES, first_v=[4.1] * 4, last_v=[3.9] * 4, left_h=[30.0] * 4, state=["holding"] * 4
        ),
        clock=table(
            node=["heart"] * 3,
            status=["fitted"] * 3,
            skew_ppm=[20.0, 20.5, 21.0],
            uncertainty_ms=[0.8, 0.7, 0.9],
        ),
        steps=table(node=[], kind=[], size_ms=[]),
        agreement=table(
            node=["trunk"],
            other=["wrist"],
            moments=[3],
            offset_ms=[0.1],
            uncertainty_ms=[1.0],
            clock_ms=[0.9],
            verdict=["agrees"],
        ),
        quality=table(
            node=["heart"] * 50, coverage=[1.0] * 50, lead_off=[0.0] * 50, use=["variability"] * 50
        ),
        calibration=table(
            node=["trunk"],
            method=["six_position"],
            note=[None],
            residual_before_mg=[9.0],
            residual_after_mg=[2.0],
        ),
        nonwear=table(node=["wrist"] * 20, value=[0.0] * 19 + [1.0]),
        bad_checksums=3,
        placements={"heart": "chest", "wrist": "wrist", "ankle": "ankle"},
    )


def only(found: list[Advice]) -> Advice:
    assert len(found) == 1, found
    return found[0]


def test_a_good_session_gets_no_advice(good: AdviceTables) -> None:
    assert next_time.advise(good) == []


def outage(seconds: float) -> pd.DataFrame:
    return table(node=NODES, cause=["hub_outage"] * 4, start_ns=[5] * 4, seconds=[seconds] * 4)


def test_an_outage_of_half_a_percent_of_the_session_is_the_hubs(good: AdviceTables) -> None:
    found = only(next_time.advise(replace(good, gaps=outage(144.0))))  # 0.005 x 8 h
    assert (found.nodes, found.see) == (("hub",), "coverage")
    assert "once, for 2 min 24 s in all" in found.because
    assert next_time.advise(replace(good, gaps=outage(143.0))) == []


def test_restarts_are_counted_and_timed(good: AdviceTables) -> None:
    steps = table(node=["wrist", "wrist"], kind=["node_restart"] * 2, size_ms=[20_000.0, 5_000.0])
    found = only(next_time.advise(replace(good, steps=steps)))
    assert found.because == "It restarted twice, silent for 25 s."
    assert found.nodes == ("wrist",)


def battery(good: AdviceTables, **last: object) -> AdviceTables:
    rows = good.battery.to_dict("list")
    for name, value in last.items():
        rows[name][-1] = value
    return replace(good, battery=pd.DataFrame(rows))


@pytest.mark.parametrize(
    ("row", "do", "because"),
    [
        (
            {"state": "silent_after_fall", "last_v": 3.1, "left_h": np.nan},
            "Use a larger battery",
            "It began at 4.10 V and fell silent at 3.10 V.",
        ),
        (
            {"first_v": 3.74, "state": "silent_after_fall", "last_v": 3.15, "left_h": np.nan},
            "Begin with a full battery",
            "It began at 3.74 V (the others at 4.10 V) and fell silent at 3.15 V.",
        ),
        (
            {"left_h": 1.9},
            "Use a larger battery, or change it on the way",
            "It began at 4.10 V; at the end 3.90 V, 1.9 h left or less.",
        ),
        ({"left_h": 2.1}, "", ""),  # a quarter of eight hours is two
    ],
)
def test_a_battery_that_ran_down_or_would_not_do_again(
    good: AdviceTables, row: dict[str, object], do: str, because: str
) -> None:
    found = next_time.advise(battery(good, **row))
    assert [each.because for each in found] == ([because] if because else [])
    for each in found:
        assert each.do.startswith(do)
        assert each.do.endswith("never charge it while it is worn.")
        assert each.nodes == ("ankle",)


def test_boots_that_take_turns_are_two_senders_and_no_restarts(good: AdviceTables) -> None:
    good.radio.loc[good.radio["node"] == "wrist", "boot_returns"] = 4
    steps = table(node=["wrist"] * 9 + ["ankle"], kind=["node_restart"] * 10, size_ms=[10.0] * 10)
    session = replace(good, steps=steps)
    assert [(one.nodes, one.rule) for one in advice.restarts(session)] == [(("ankle",), "restart")]
    (found,) = advice_time.shared_addresses(session)
    assert found.nodes == ("wrist",)
    assert "4 times" in found.because


def test_a_node_that_sends_no_voltage_and_falls_silent(good: AdviceTables) -> None:
    gaps = table(node=["skin"], cause=["end_of_battery"], start_ns=[0], seconds=[4000.0])
    found = only(next_time.advise(replace(good, gaps=gaps)))
    assert found.nodes == ("skin",)
    assert "sends no voltage" in found.because


def lossy(good: AdviceTables, node: str, loss: float, low: int, high: int) -> AdviceTables:
    """``node`` loses ``loss``; of its frames 250 lie in the weak bin, which lost ``low``, 750 in the strong
    one, which lost ``high``."""
    radio = good.radio.assign(radio_loss=good.radio["radio_loss"].where(good.radio["node"] != node, loss))
    bins = table(
        node=[node] * 2, measure=["rssi_dbm"] * 2, low=[-80.0, -60.0], expected=[250, 750], lost=[low, high]
    )
    return replace(good, radio=radio, signal=pd.concat([good.signal, bins]))


def test_loss_with_a_weak_signal_asks_for_another_placement(good: AdviceTables) -> None:
    found = only(next_time.advise(lossy(good, "wrist", 0.08, 60, 20)))
    assert found.rule == "placing"
    assert found.nodes == ("wrist",)
    assert found.because == "75\u202f% of its losses lie in the weakest quarter of its signal."


def test_loss_at_any_signal_alike_asks_for_a_swap(good: AdviceTables) -> None:
    found = only(next_time.advise(lossy(good, "wrist", 0.08, 20, 60)))
    assert found.rule == "unlike"
    assert found.because == "8.0\u202f% lost on the air; the other nodes, in the middle, 0.5\u202f%."
    assert next_time.advise(lossy(good, "wrist", 0.019, 5, 14)) == []


def test_loss_that_goes_with_posture_names_it(good: AdviceTables) -> None:
    state = ["lying or bent over"] * 10 + ["upright"] * 10
    minutes = table(node=["ankle"] * 20, expected=[300] * 20, lost=[60] * 10 + [6] * 10, state=state)
    session = replace(lossy(good, "ankle", 0.11, 60, 20), minutes=minutes)
    found = only(next_time.advise(session))
    assert "other side of the ankle: it loses most while lying or bent over." in found.do
    assert found.because == "20.0\u202f% lost while lying or bent over, 2.0\u202f% while upright."
    nine = replace(session, minutes=minutes.iloc[1:])  # nine minutes of lying are too few
    assert "weakest quarter" in only(next_time.advise(nine)).because


def test_what_most_nodes_share_is_the_hubs(good: AdviceTables) -> None:
    session = good
    for node in ("heart", "trunk", "wrist"):
        session = lossy(session, node, 0.05 if node != "trunk" else 0.07, 60, 20)
    found = only(next_time.advise(session))
    assert found.nodes == ("hub",)
    assert "3 of 4 nodes lose with a weak signal" in found.do
    assert found.because.startswith("Trunk, the worst:")


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(1, 500)), min_size=1, max_size=12))
def test_the_weakest_quarter_against_frame_by_frame(bins: list[tuple[int, int]]) -> None:
    """The same with each frame written out: losses spread evenly over the frames of their bin."""
    low = pd.Series(np.arange(len(bins)) * 2.0 - 80)
    sent = pd.Series([max(n, lost) for lost, n in bins])
    lost = pd.Series([lost for lost, _ in bins])
    got = advice.weakest_quarter(low, sent, lost)
    frames = np.concatenate([np.full(n * 4, k / n / 4) for k, n in zip(lost, sent, strict=True)])
    naive = frames[: len(frames) // 4].sum() / frames.sum() if lost.sum() else 0.0
    assert got == pytest.approx(naive)


def test_damaged_frames_point_at_the_way_to_the_logger(good: AdviceTables) -> None:
    found = only(next_time.advise(replace(good, bad_checksums=720)))  # 0.002 x 360 000
    assert "for 360\u202f000 received" in found.because
    assert next_time.advise(replace(good, bad_checksums=719)) == []


@pytest.mark.parametrize(
    ("skews", "because"),
    [
        ([101.0] * 9, "Its crystal runs +101.0 ppm off nominal."),
        ([-101.0] * 9, "Its crystal runs −101.0 ppm off nominal."),
        ([99.0] * 9, ""),
        (list(np.linspace(0, 24, 9)), "Its crystal wandered from +1.2 to +22.8 ppm."),
        (list(np.linspace(0, 20, 9)), ""),
    ],
)
def test_an_unlike_crystal(good: AdviceTables, skews: list[float], because: str) -> None:
    clock = table(node=["wrist"] * 9, status=["fitted"] * 9, skew_ppm=skews, uncertainty_ms=[1.0] * 9)
    found = next_time.advise(replace(good, clock=clock))
    assert [each.because for each in found] == ([because] if because else [])


def test_ticks_that_jumped_alone(good: AdviceTables) -> None:
    steps = table(node=["skin"], kind=["node_step"], size_ms=[40.0])
    found = only(next_time.advise(replace(good, steps=steps)))
    assert found.nodes == ("skin",)
    assert found.because == "Its ticks jumped once while no other clock did."


@pytest.mark.parametrize(
    ("status", "do"), [("fitted", "overlap for longer"), ("start_by_hand", "host marks")]
)
def test_a_clock_past_the_limit_needs_more_overlap(good: AdviceTables, status: str, do: str) -> None:
    clock = good.clock.assign(uncertainty_ms=[0.8, 0.7, 20.1], status=["fitted", "fitted", status])
    found = only(next_time.advise(replace(good, clock=clock)))
    assert do in found.do
    assert found.because == "The time of heart is certain to ±20.1 ms; the limit is ±20 ms."
    at_limit = good.clock.assign(uncertainty_ms=[0.8, 0.7, 20.0])
    assert next_time.advise(replace(good, clock=at_limit)) == []


def test_shared_movements(good: AdviceTables) -> None:
    wrong = good.agreement.assign(verdict="disagrees", offset_ms=45.2)
    found = only(next_time.advise(replace(good, agreement=wrong)))
    assert found.because == "Shared movements put wrist +45.2 ms after trunk; the clocks claim ±0.9 ms."
    none = good.agreement.assign(verdict="no_movement", moments=0)
    found = only(next_time.advise(replace(good, agreement=none)))
    assert found.because == "No shared movement checks the clocks of trunk and wrist."
    assert "three times together" in found.do


def test_electrodes_by_lead_off_and_by_noise(good: AdviceTables) -> None:
    off = good.quality.assign(lead_off=[1.0] * 3 + [0.0] * 47)  # 6 %
    assert "strain relief" in only(next_time.advise(replace(good, quality=off))).do
    noisy = good.quality.assign(use=["none"] * 3 + ["rate"] * 47)
    assert "too noisy" in only(next_time.advise(replace(good, quality=noisy))).because
    few = good.quality.assign(use=["none"] * 2 + ["rate"] * 48)  # 4 %
    assert next_time.advise(replace(good, quality=few)) == []
    lost = good.quality.assign(use=["none"] * 40 + ["rate"] * 10, coverage=[0.0] * 40 + [1.0] * 10)
    assert next_time.advise(replace(good, quality=lost)) == []  # not received is no electrode


def test_a_node_that_was_not_worn(good: AdviceTables) -> None:
    off = table(node=["wrist"] * 20, value=[0.0] * 18 + [1.0] * 2)
    assert only(next_time.advise(replace(good, nonwear=off))).nodes == ("wrist",)


def test_calibration_that_is_missing_or_of_another_device(good: AdviceTables) -> None:
    rows = good.calibration
    plain = rows.assign(method="none", note="few_still")
    assert "No calibration for trunk: too little stillness." in [
        each.because for each in next_time.advise(replace(good, calibration=plain))
    ]
    worse = rows.assign(note="worse_than_raw", residual_after_mg=12.0)
    assert only(advice_time.calibration(replace(good, calibration=worse))).because == (
        "Still windows are 12.0 mg off 1 g with the record, 9.0 mg without."
    )


def test_one_advice_for_several_nodes_is_given_once_with_each_figure(good: AdviceTables) -> None:
    steps = table(node=["wrist", "ankle"], kind=["node_restart"] * 2, size_ms=[20_000.0, np.nan])
    found = only(next_time.advise(replace(good, steps=steps)))
    assert found.nodes == ("wrist", "ankle")
    assert found.because == "Wrist: it restarted once, silent for 20 s. Ankle: it restarted once."


def test_the_state_of_a_minute_is_what_filled_most_of_it() -> None:
    rows = [
        (0, "walking_share", 0.9),
        (0, "upright_share", 1.0),
        (1, "walking_share", 0.1),
        (1, "level_share", 0.8),
        (1, "upright_share", 0.2),
        (2, "walking_share", 0.5),
    ]
    epochs = pd.DataFrame(rows, columns=["minute", "feature", "value"]).assign(
        start_ns=lambda rows: rows["minute"] * MINUTE + 15_000_000_000,
        end_ns=lambda rows: rows["minute"] * MINUTE + 45_000_000_000,
    )
    assert next_time.states(epochs) == {0: "walking", 1: "lying or bent over"}
    loss = table(
        node=["wrist"] * 3,
        minute_utc_ns=[0, MINUTE, 2 * MINUTE],
        received=[280] * 3,
        lost_radio=[15] * 3,
        lost_listed=[5] * 3,
        lost_hub_outage=[7] * 3,
    )
    minutes = next_time.minutes(loss, epochs)
    assert minutes["state"].tolist()[:2] == ["walking", "lying or bent over"]
    assert minutes["state"].isna().tolist() == [False, False, True]
    assert minutes["expected"].tolist() == [300] * 3
    assert minutes["lost"].tolist() == [20] * 3


def test_every_rule_is_called_and_every_advice_names_a_figure_of_the_page() -> None:
    rules = {
        name
        for module in (advice, advice_time)
        for name, each in vars(module).items()
        if getattr(each, "__annotations__", {}).get("return") == "list[Advice]"
        and each.__module__ == module.__name__
    }
    assert rules - {"merged"} == {each.__name__ for each in next_time.RULES}
