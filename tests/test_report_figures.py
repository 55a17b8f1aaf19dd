"""The figures of bursts, minutes and signal, and those of the study page: against oracles and drawn truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nodeday.schemas import TABLES
from scipy.stats import spearmanr
from test_study import SECOND, START, Made, make_study

from nodeday.stages.report import (
    fig_bursts,
    fig_flow,
    fig_hours,
    fig_minutes,
    fig_phases,
    fig_shared,
    fig_weeks,
    stage,
)
from nodeday.stages.report.facts import StudyFacts, read_session, read_study
from nodeday.stages.study import stage as study_stage
from nodeday.storage import tables

WEEK = fig_weeks.WEEK


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    made = make_study(tmp_path_factory.mktemp("figures"))
    study_stage.run(made.study, [made.session])
    stage.index(made.study, [made.session])
    return made


@pytest.fixture(scope="module")
def facts(made: Made) -> StudyFacts:
    return read_study(made.study, [made.session])


# Bursts


@given(st.floats(0.001, 0.9))
def test_runs_by_chance_against_the_geometric_series_term_by_term(loss: float) -> None:
    """The share of lost frames in runs of j is j (1 - q)^2 q^(j - 1): of all runs (1 - q) q^(j - 1) are as
    long, and their mean length is 1 / (1 - q)."""
    j = np.arange(1, 20_001)
    share = j * (1 - loss) ** 2 * loss ** (j - 1.0)
    at = np.searchsorted(fig_bursts.EDGES, j, "right") - 1
    assert fig_bursts.by_chance(loss) == pytest.approx(
        np.bincount(at, share, len(fig_bursts.EDGES)), abs=1e-6
    )


def test_runs_are_counted_in_frames_not_in_runs() -> None:
    got = fig_bursts.in_classes(np.array([1, 2, 40]), np.array([10, 5, 2]))
    assert got.tolist() == pytest.approx([0.1, 0.1, 0, 0, 0, 0, 0.8])


def test_bursts_of_a_session(made: Made) -> None:
    rows = {name: [0] for name in TABLES["bursts"].names} | {
        "node": ["heart", "heart"],
        "stream": ["ecg", "ecg"],
        "length": [1, 3],
        "count": [7, 1],
    }
    path = tables.path(made.study.results, "bursts", made.session)
    before = tables.read(path, "bursts")
    tables.write(path, TABLES["bursts"], tables.build(TABLES["bursts"], rows))
    try:
        figure = fig_bursts.bursts(made.study, read_session(made.study, made.session))
    finally:
        tables.write(path, TABLES["bursts"], before)
    assert figure is not None
    assert figure.rows["share_of_lost"].tolist() == pytest.approx([0.7, 0, 0.3, 0, 0, 0, 0])
    assert "burst ratio 1.9, longest 240 ms, lost 3.0" in figure.drawing
    assert figure.drawing.count('class="expected"') == 1


# Loss by minute


@given(
    st.lists(
        st.tuples(st.one_of(st.integers(-90, -40), st.just(None)), st.floats(0, 1)), min_size=1, max_size=40
    )
)
def test_rank_correlation_is_scipys(pairs: list[tuple[int | None, float]]) -> None:
    a = np.array([np.nan if x is None else x for x, _ in pairs], dtype=np.float64)
    b = np.array([y for _, y in pairs])
    both = np.isfinite(a)
    got = fig_minutes.rank_correlation(a, b)
    if both.sum() < fig_minutes.FEWEST or np.ptp(a[both]) == 0 or np.ptp(b[both]) == 0:
        assert np.isnan(got)
    else:
        assert got == pytest.approx(spearmanr(a[both], b[both]).statistic, abs=1e-9)


def test_minutes_hold_the_counts_of_table_loss(made: Made) -> None:
    figure = fig_minutes.minutes(made.study, read_session(made.study, made.session))
    assert figure is not None
    loss = tables.read(tables.path(made.study.results, "loss", made.session), "loss")
    for name, column in (("received", "received"), ("lost", "lost_radio")):
        assert (
            figure.rows.groupby("node")[name].sum().to_dict()
            == loss.groupby("node", observed=True)[column].sum().to_dict()
        )
    assert figure.rows["rssi_dbm"].dropna().tolist() == pytest.approx([-60.0] * len(figure.rows))


def test_minutes_are_joined_by_received_frames() -> None:
    loss = pd.DataFrame(
        {
            "node": "a",
            "stream": "s",
            "minute_utc_ns": pd.array([0, 60 * SECOND], "Int64"),
            "received": [30, 10],
            "lost_radio": [0, 7],
            "lost_listed": [0, 3],
            "rssi_dbm": np.array([-60, -80], np.float32),
        }
    )
    got = fig_minutes._binned(loss, "rssi_dbm", 2)
    assert got[["received", "lost", "signal", "share"]].to_numpy().tolist() == [[40, 10, -65.0, 0.2]]


# Shared movements


def test_shared_movements_show_each_pair(made: Made) -> None:
    facts = read_session(made.study, made.session)
    assert fig_shared.shared(made.study, facts) is None
    rows = {
        "node": ["trunk", "trunk"],
        "other": ["wrist", "ankle"],
        "moments": np.array([2, 0], np.int32),
        "offset_ms": [45.0, np.nan],
        "uncertainty_ms": [1.4, np.nan],
        "clock_ms": [0.9, 0.8],
        "verdict": ["disagrees", "no_movement"],
    }
    moved = replace(facts, agreement=tables.build(TABLES["agreement"], rows))
    figure = fig_shared.shared(made.study, moved)
    assert figure is not None
    assert "✕ trunk – wrist" in figure.drawing
    assert "trunk and wrist: +45.0 ± 1.4 ms, disagrees" in figure.drawing
    assert figure.notes[1] == "trunk and ankle: no shared movement was found."


# Participants by hours


@given(st.lists(st.integers(0, 600), min_size=1, max_size=30), st.integers(1, 5))
def test_minutes_share_themselves_out_over_bins(counts: list[int], several: int) -> None:
    """Frames of 0.1 s: what fills the bins is what was received, however they are cut."""
    minute = 60 * SECOND
    minutes = pd.DataFrame({"minute_utc_ns": START + np.arange(len(counts)) * minute, "received": counts})
    end = START + len(counts) * minute
    edges = np.arange(START, end, several * minute)
    width = np.minimum(edges + several * minute, end) - edges
    share = fig_hours.received(minutes, 0.1, edges, width)
    assert float((share * width).sum()) / SECOND == pytest.approx(0.1 * sum(counts))


def test_hours_count_what_no_rule_takes(made: Made, facts: StudyFacts) -> None:
    """The made session is too short for the study, so a rule takes every node of it."""
    assert set(facts.excluded) == {(made.session, node) for node in made.kept}
    figure = fig_hours.hours(facts)
    assert figure is not None
    assert figure.rows["share_counts"].max() == 0
    assert 'class="taken"' in figure.drawing
    assert "0.0 of 0.4 node hours count" in figure.drawing
    free = replace(facts, exclusions=facts.exclusions.iloc[:0])
    figure = fig_hours.hours(free)
    assert figure is not None
    assert figure.rows["share_taken"].max() == 0
    coverage = facts.sessions["coverage"].mean()
    assert figure.rows["share_counts"].mean() == pytest.approx(coverage, abs=0.04)
    assert f'<a href="{made.session}.html">' in figure.drawing


# The flow


def test_the_flow_goes_from_what_sessions_last_to_what_counts(made: Made, facts: StudyFacts) -> None:
    worn = 5 * made.seconds / 3600
    steps = fig_flow.steps_of(facts.flow, worn)
    received = float((facts.sessions["hours"] * facts.sessions["coverage"]).sum())
    assert [step.words for step in steps] == [
        "all nodes, all sessions",
        "received",
        "ran to its end",
        "0.75 h or longer",
        "coverage of 80\u202f% or more",
        "time certain to ±20 ms",
    ]
    assert [step.left for step in steps] == pytest.approx([worn, received, received, 0, 0, 0])
    assert steps[3].taken == pytest.approx(received)
    assert steps[1].taken == pytest.approx(worn - received)
    assert "1 participant, 1 session, 5 nodes" in steps[2].counts
    text = (made.study.results / "report" / "index.html").read_text(encoding="utf-8")
    assert "0.75 h or longer" in text


def test_hours_of_the_flow_are_those_of_the_sessions(facts: StudyFacts) -> None:
    for part, sign in (("hours_excluded", -1), ("hours_left", 1)):
        assert (facts.flow[part] >= 0).all(), (part, sign)
    left = facts.flow["hours_left"].to_numpy()
    assert left[:-1] - facts.flow["hours_excluded"].to_numpy()[1:] == pytest.approx(left[1:])


# Phases


def test_a_participant_is_one_point_weighted_by_epochs(facts: StudyFacts) -> None:
    def row(session: str, participant: str, value: float, epochs: int) -> dict[str, object]:
        return {
            "session": session,
            "participant": participant,
            "phase": "rest",
            "node": "heart",
            "channel": "ecg",
            "feature": "heart_rate_bpm",
            "value": value,
            "epochs_with_value": epochs,
        }

    rows = pd.DataFrame(
        [row("A", "P1", 60, 10), row("B", "P1", 90, 20), row("C", "P1", 500, 99), row("D", "P2", 70, 5)]
    )
    out = pd.DataFrame(
        [
            {"session": "C", "node": "*", "channel": "*", "feature": "*", "rule": "min_hours"},
            {
                "session": "D",
                "node": "heart",
                "channel": "ecg",
                "feature": "heart_rate_bpm",
                "rule": "min_valid_epochs",
            },
        ]
    )
    sessions = pd.DataFrame({"session": ["A", "B", "C", "D"], "node": "heart"})
    points = fig_phases.points(replace(facts, phase_features=rows, exclusions=out, sessions=sessions))
    assert points[["participant", "value", "counts"]].to_numpy().tolist() == [
        ["P1", 80.0, True],
        ["P2", 70.0, False],
    ]


def test_phases_are_drawn_in_their_order_with_a_point_each(facts: StudyFacts) -> None:
    figure = fig_phases.phases(facts)
    assert figure is not None
    rows = figure.rows
    assert figure.drawing.count("<circle") == len(rows) > 0
    assert not rows["counts"].any()
    assert 'class="expected"' not in figure.drawing  # no median of what does not count
    assert figure.drawing.count('class="beat open"') == len(rows)


# Devices over the weeks


def weekly(losses: list[float], others: float = 0.02, node: str = "heart (16)") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "device": node,
            "session": [f"S{k}" for k in range(len(losses))],
            "start_ns": START + np.arange(len(losses)) * WEEK,
            "radio_loss": losses,
            "others": others,
        }
    )


@pytest.mark.parametrize(
    ("losses", "code", "middle"),
    [
        ([0.02 + 0.01 * k for k in range(8)], "wearing_out", 1.0),
        ([0.09 - 0.01 * k for k in range(8)], "better", -1.0),
        ([0.02, 0.021, 0.019, 0.02, 0.022, 0.018, 0.02], "steady", 0.0),
        ([0.02 + 0.01 * k if k != 3 else 0.9 for k in range(8)], "wearing_out", 1.0),  # one bad day
        ([0.02, 0.05, 0.09, 0.2], "too_few", np.nan),
    ],
)
def test_a_device_that_wears_out_is_no_single_bad_day(losses: list[float], code: str, middle: float) -> None:
    one = fig_weeks.trends(weekly(losses))["heart (16)"]
    assert one.code == code
    assert one.middle == pytest.approx(middle, abs=0.05, nan_ok=True)


def test_a_bad_season_for_all_is_no_wear() -> None:
    losses = [0.02 + 0.01 * k for k in range(8)]
    assert fig_weeks.trends(weekly(losses, others=np.array(losses)))["heart (16)"].code == "steady"  # type: ignore[arg-type]


def test_a_week_is_needed() -> None:
    days = weekly([0.02 + 0.01 * k for k in range(8)])
    days["start_ns"] = START + np.arange(8) * WEEK // 8
    assert fig_weeks.trends(days)["heart (16)"].code == "too_few"


def test_the_interval_covers_the_truth() -> None:
    """Of 200 devices that wear by 0.5 points a week, noise 1 point, about 95 % of intervals hold it."""
    rng = np.random.default_rng(5)
    x = np.arange(10.0)
    found = [fig_weeks.slope(x, 0.02 + 0.005 * x + 0.01 * rng.normal(size=10)) for _ in range(200)]
    held = np.mean([one.low <= 0.5 <= one.high for one in found])
    assert 0.90 <= held <= 0.995


def test_a_plain_sentence_states_the_slope() -> None:
    one = fig_weeks.Slope(1.2, 0.8, 1.5, 9)
    assert fig_weeks.sentence("heart (16)", one) == (
        "heart (16): loses more and more against the others; it may be wearing out, +1.20 points a week "
        "(+0.80 to +1.50)."
    )


def test_devices_of_a_study_of_one_session(facts: StudyFacts) -> None:
    figure = fig_weeks.weeks(facts)
    assert figure is not None
    assert figure.notes == [
        "heart (16), trunk (17), wrist (18), ankle (19) and skin (20): too few sessions; 5 over a week or "
        "more are needed."
    ]
    assert figure.rows["others"].tolist() == pytest.approx([0.03] * 5)


def test_a_study_without_a_finished_session_has_a_page(tmp_path: Path) -> None:
    made = make_study(tmp_path, seconds=60)
    (made.study.results / "failed").mkdir()
    (made.study.results / "failed" / f"{made.session}.txt").write_text("it is empty", encoding="utf-8")
    stage.index(made.study, [])
    text = (made.study.results / "report" / "index.html").read_text(encoding="utf-8")
    assert "Nothing was recorded yet." in text
    assert "it is empty" in text
