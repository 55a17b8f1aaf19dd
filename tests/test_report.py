"""The report stage: where losses lie, lines that break at holes, and pages that tell the truth."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import frictionless
import numpy as np
import pandas as pd
import pytest
from conftest import samples_in, store_frames, stored
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES
from test_study import NODES, SECOND, START, Made, make_study, write_config

from nodeday.config.models import Fill, StudyLimits
from nodeday.core.errors import ContractError
from nodeday.stages.report import (
    fig_coverage,
    fig_gaps,
    fig_loss,
    fig_motion,
    overview,
    panels,
    spans,
    stage,
    svg,
    verdict,
    words,
    worst_gaps,
)
from nodeday.stages.report.facts import PageFacts, read_session
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.streams import ABSENT
from nodeday.stages.study import stage as study_stage
from nodeday.storage import samples, tables

span_lists = st.lists(st.tuples(st.integers(0, 200), st.integers(0, 60)), max_size=8)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    root = tmp_path_factory.mktemp("report")
    write_config(root, "S02-lossy\trest\t2026-07-14T07:00:00\t\nS02-lossy\tharvest\t2026-07-14T07:02:00\t\n")
    made = make_study(root)
    study_stage.run(made.study, [made.session])
    stage.run(made.study, made.session)
    failed = made.study.results / "failed" / "S03-mess.txt"
    failed.parent.mkdir()
    failed.write_text("session S03-mess: capture <x> & y is empty; expected frames.\n", encoding="utf-8")
    stage.index(made.study, [made.session])
    return made


@pytest.fixture(scope="module")
def page(made: Made) -> str:
    return (made.study.results / "report" / f"{made.session}.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def index(made: Made) -> str:
    return (made.study.results / "report" / "index.html").read_text(encoding="utf-8")


# Where losses lie


def test_a_gap_lies_between_the_frames_on_both_sides() -> None:
    """::

    boot 0  |f0|f1|  |  |f4|      boot 1  |f0|
    ns      0  10 20 30 40 50             90 100
    """
    boot, seq = np.array([1, 0, 0, 0]), np.array([0, 4, 0, 1])
    start, end = np.array([90, 40, 0, 10]), np.array([100, 50, 10, 20])
    frames = spans.FrameSpans(boot, seq, start, end)
    got = spans.gap_spans(
        frames, np.array([0, 0, 1]), np.array([2, 5, 1]), np.array([4, 4, 0]), session=(0, 120)
    )
    assert [each.tolist() for each in got] == [[20, 50, 100], [40, 90, 120]]


def test_gaps_of_two_causes_share_one_hole_by_their_numbers() -> None:
    """::

    |f7| 8  9 10 11 |f12|      radio [8, 9), hub outage [9, 12)
    """
    frames = spans.FrameSpans(
        np.array([1, 1]), np.array([7, 12]), np.array([70, 120]) * SECOND, np.array([80, 130]) * SECOND
    )
    got = spans.gap_spans(frames, np.array([1, 1]), np.array([8, 9]), np.array([9, 12]), (0, 200 * SECOND))
    assert [(each / SECOND).tolist() for each in got] == [[80.0, 90.0], [90.0, 120.0]]


@pytest.mark.parametrize(("stamp", "at"), [("first", 1000), ("last", 1000 + 19 * 4_000_000)])
def test_a_frame_covers_its_samples_whichever_it_stamps(stamp: str, at: int) -> None:
    start, end = spans.frame_spans(np.array([at]), 20, 250, stamp)
    assert (start[0], end[0]) == (1000, 1000 + 80_000_000)


@settings(deadline=None, max_examples=50)
@given(span_lists, st.integers(1, 30))
def test_shares_agree_with_counting_every_nanosecond(pairs: list[tuple[int, int]], width: int) -> None:
    edges = np.arange(0, 270, width)
    start = np.array([a for a, _ in pairs], dtype=np.int64)
    end = start + np.array([n for _, n in pairs], dtype=np.int64)
    lost = np.zeros(int(edges[-1]) + 300, bool)
    for a, b in zip(start, end, strict=True):
        lost[a:b] = True
    naive = [lost[a:b].mean() for a, b in pairwise(edges.tolist())]
    if len(edges) > 1:
        assert spans.shares(start, end, edges) == pytest.approx(naive)


@settings(deadline=None, max_examples=50)
@given(
    st.lists(st.one_of(st.just(float("nan")), st.floats(-5, 5)), min_size=1, max_size=300),
    st.integers(10, 60),
)
def test_decimation_keeps_peaks_and_never_closes_a_hole(values: list[float], most: int) -> None:
    y = np.array(values)
    kept = spans.decimate(y, most)
    if not np.isfinite(y).any():
        return
    assert np.nanmin(y[kept]) == np.nanmin(y)
    assert np.nanmax(y[kept]) == np.nanmax(y)
    for a, b in pairwise(kept.tolist()):
        if np.isfinite(y[a]) and np.isfinite(y[b]):
            assert np.isfinite(y[a : b + 1]).all()


def test_a_line_breaks_at_a_hole_and_a_lone_value_is_a_dot() -> None:
    line, dots = svg.polyline(np.arange(6.0), np.array([1, 2, np.nan, 5, np.nan, np.nan]))
    assert line == "M0.0 1.0L1.0 2.0"
    assert dots == "M1.8 5h2.4"


def test_the_page_shows_what_is_left_of_a_battery(page: str) -> None:
    assert "4.10 to 3.40 V, 4 h left or less" in page
    assert ">giving way</span>" in page
    assert page.count("not sent</span>") == len(NODES) - 1


# Axes


def test_ticks_are_whole_steps_of_the_local_clock() -> None:
    zone = ZoneInfo("Asia/Kathmandu")  # UTC+05:45
    axis = panels.TimeAxis(START, START + 8 * 3600 * SECOND, zone)
    ticks = axis.ticks()
    assert [label for _, label, _ in ticks] == [f"{hour}:00" for hour in range(11, 19)]
    assert [date for _, _, date in ticks if date] == ["14 Jul 2026"]
    assert axis.local(START).utcoffset() == timedelta(hours=5, minutes=45)


def test_value_axis_holds_every_value() -> None:
    for values in ([0.0, 0.0], [-3.2, 8.9], [1e-4, 2e-4], [np.nan], [97.0]):
        axis = panels.YAxis.over(np.array(values), 0, 100)
        y = axis.y(np.array(values))
        assert np.all(np.isnan(y) | ((y >= -1e-6) & (y <= 100 + 1e-6)))


# Verdict


def nodes(*rows: tuple[str, float, float, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["node", "coverage", "clock_uncertainty_ms", "verdict"])
    return frame.assign(hours=1.0)


def test_reasons_that_are_not_met_come_first() -> None:
    out = pd.DataFrame({"node": ["b"], "rule": ["max_clock_uncertainty"]})
    found = verdict.of_session(
        nodes(("a", 0.9, 1.0, "usable"), ("b", 0.95, 33.0, "limited")), out, StudyLimits()
    )
    assert found.code == "limited"
    assert found.sentence == "b is usable in part; a is within every limit."
    assert [reason.met for reason in found.reasons] == [False, True, True]
    assert found.reasons[0].text == (
        "The time of b is least certain, ±33.0 ms; 1 of 2 nodes is beyond the limit of ±20 ms."
    )


def test_a_node_without_a_clock_is_named() -> None:
    out = pd.DataFrame({"node": ["a"], "rule": ["max_clock_uncertainty"]})
    found = verdict.of_session(nodes(("a", 0.9, np.nan, "unusable")), out, StudyLimits())
    assert found.sentence == "the only node is below the study’s limits for most of the session."
    assert found.reasons[0].text == "No place in time for a; the limit is ±20 ms."


@pytest.mark.parametrize(
    ("codes", "session"),
    [
        (["usable"] * 3, "usable"),
        (["unusable"] * 2, "unusable"),
        (["usable", "unusable"], "limited"),
        ([], "unusable"),
    ],
)
def test_a_session_is_what_all_its_nodes_are(codes: list[str], session: str) -> None:
    assert verdict.combined(codes) == session


# The worst gaps


def test_the_longest_holes_and_fills_are_chosen_and_never_one_stretch_twice() -> None:
    """::

    s      0    10       20  22      40        60        80
           |-8s-|        |1s|.1      |.25|     |.25|     |.1|      fills up to 250 ms
    beats                             0         1         0
    """
    start = np.array([0, 20_000, 22_000, 40_000, 60_000, 80_000]) * 1_000_000
    length = np.array([8000, 1000, 100, 250, 250, 100]) * 1_000_000
    beats = np.array([0, 0, 0, 0, 1, 0])
    found = worst_gaps.choose(start, start + length, beats, 250.0, 3_500_000_000)
    assert found.tolist() == [0, 1, 3, 4, 5]  # 22 s lies next to the hole at 20 s
    many = np.arange(20) * 100 * SECOND
    shown = worst_gaps.choose(many, many + 9 * SECOND, np.zeros(20, np.int64), 250.0, 3_500_000_000)
    assert shown.tolist() == list(range(worst_gaps.HOLES))
    carried = worst_gaps.choose(start[3:5], start[3:5] + length[3:5], beats[3:5], 250.0, 10**12)
    assert carried.tolist() == [1]


@pytest.mark.parametrize(
    ("length_ms", "extent", "counts", "beats", "policy", "sentence"),
    [
        (
            240,
            "known",
            {"interpolated": 60},
            1,
            Fill(method="pattern", max_ms=250),
            "60 samples computed by pattern; 1 beat on them counts for rate, not for variability.",
        ),
        (
            240,
            "known",
            {"interpolated": 40, "missing": 20},
            0,
            Fill(method="pattern", max_ms=250),
            "40 samples computed by pattern; no beat lies on them; 20 more left missing.",
        ),
        (
            240,
            "known",
            {"missing": 60},
            0,
            Fill(method="pattern", max_ms=250),
            "left missing; within 250 ms, but too little was received around it, or no fill was sure enough.",
        ),
        (
            400,
            "known",
            {"missing": 100},
            0,
            Fill(method="pattern", max_ms=250),
            "left missing; longer than the 250 ms that may be filled.",
        ),
        (400, "known", {"missing": 100}, 0, None, "left missing; the study fills nothing in this stream."),
        (9000, "unknown", {}, 0, None, "left missing; how many samples were lost is not known."),
        (80, "known", {}, 0, Fill(method="linear", max_ms=100), "no sample of it stands in the tables."),
    ],
)
def test_the_treatment_of_a_gap_is_described(
    length_ms: int, extent: str, counts: dict[str, int], beats: int, policy: Fill | None, sentence: str
) -> None:
    assert worst_gaps.treatment(length_ms * 1_000_000, extent, counts, beats, policy)[1] == sentence


@given(st.integers(1, 400_000), st.lists(st.integers(-3_000, 400_000), min_size=2, max_size=20))
def test_a_folded_panel_keeps_the_order_of_time_and_its_scale_outside_the_hole(
    hole_ms: int, at_ms: list[int]
) -> None:
    ms = 1_000_000
    fold = fig_gaps.Fold(0, hole_ms * ms)
    first, last = fold.edges
    at = np.sort(np.array([t for t in at_ms if first <= t * ms < last] + [0], dtype=np.int64)) * ms
    x = fold.at(at)
    assert np.all(np.diff(x) >= 0)
    assert np.all((x >= -1e-9) & (x <= fig_gaps.SHOWN_S + 1e-9))
    before = at < 0
    assert x[before] == pytest.approx((at[before] - first) / SECOND)
    after = at >= hole_ms * ms
    assert x[after] == pytest.approx(fig_gaps.SHOWN_S - (last - at[after]) / SECOND)


def test_the_worst_gaps_are_drawn_as_the_tables_hold_them(made: Made) -> None:
    facts = read_session(made.study, made.session)
    figure = fig_gaps.worst(made.study, facts)
    assert figure is not None
    rows = figure.rows
    stored = samples_in(made.study, made.session, "heart", "ecg")
    stored = stored.assign(utc=instants(stored["utc_ns"].to_numpy(np.int64))).set_index("utc")
    drawn = rows[rows["utc"].notna()]
    assert (drawn["origin"].to_numpy(str) == stored.loc[drawn["utc"], "origin"].to_numpy(str)).all()
    assert drawn.loc[drawn["origin"] == "missing", "value"].isna().all()
    assert drawn.loc[drawn["origin"] == "measured", "value"].notna().all()
    # The outage of all nodes is the longest hole, and its panel is broken.
    heart = next(s for s in facts.streams if s.node == "heart")
    longest = float((heart.end_ns - heart.start_ns).max()) / 1e9
    assert f"{words.duration(longest)}, hub outage" in figure.drawing
    assert figure.drawing.count('class="break"') == 2
    assert 'class="hole framed"' in figure.drawing


def test_only_windows_around_the_worst_gaps_are_read(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    read = samples.read

    def watched(*arguments: Any) -> pd.DataFrame:
        for span in arguments[5]:
            edges = {operator: value for column, operator, value in span if column == "utc_ns"}
            asked.append(edges["<"] - edges[">="])
        return read(*arguments)

    monkeypatch.setattr(samples, "read", watched)
    fig_gaps.worst(made.study, read_session(made.study, made.session))
    assert asked
    assert max(asked) <= 10 * SECOND


# Facts and figures of the made session


def test_counts_and_lost_time_agree_with_the_truth(made: Made) -> None:
    facts = read_session(made.study, made.session)
    assert [stream.node for stream in facts.streams] == list(NODES)
    outage, battery = 0.08, 0.15
    for stream in facts.streams:
        assert stream.counts["received"] == made.kept[stream.node]
        shares = fig_coverage.shares_of(stream, np.array(facts.span))
        assert sum(share[0] for share in shares.values()) == pytest.approx(1.0)
        assert shares["hub_outage"][0] == pytest.approx(outage, abs=0.015)
        assert (shares["end_of_battery"][0] > 0) == (stream.node == "skin")
        assert (shares["node_restart"][0] > 0) == (stream.node == "wrist")
    wrist = next(stream for stream in facts.streams if stream.node == "wrist")
    skin = next(stream for stream in facts.streams if stream.node == "skin")
    start, end = wrist.lost_to("node_restart")
    assert (end - start) / 1e9 == pytest.approx([20.0], abs=0.3)
    start, end = skin.lost_to("end_of_battery")
    assert (end - start) / 1e9 == pytest.approx([battery * made.seconds], abs=5)


def test_received_share_agrees_with_the_frames(made: Made) -> None:
    facts = read_session(made.study, made.session)
    rows = facts.nodes.set_index("node")
    for stream in facts.streams:
        received = fig_coverage.shares_of(stream, np.array(facts.span))["received"][0]
        assert received == pytest.approx(rows.loc[stream.node, "coverage"], abs=1e-3)


def test_the_loss_table_counts_unknown_gaps(made: Made) -> None:
    _, rows = fig_loss.table(read_session(made.study, made.session))
    assert {row["node"]: row["unknown"] for row in rows} == {
        "heart": 0,
        "trunk": 0,
        "wrist": 1,
        "ankle": 0,
        "skin": 1,
    }


def test_loss_against_signal_has_a_panel_a_stream_and_needs_no_colour(made: Made, page: str) -> None:
    figure = fig_loss.signal(made.study, read_session(made.study, made.session))
    assert figure is not None
    text = str(figure.drawing)
    for node in NODES:
        assert f'class="name">{node}</text>' in text
    assert "heart ecg: 30.0\u202f% lost from -62 to -60 dBm and 1.0\u202f% lost from -60 to -58 dBm" in text
    assert len(figure.rows) == 2 * len(NODES)
    assert "stroke:" not in text
    assert "fill=" not in text
    assert "0 stretches of the capture open like a frame" in reading_text(page)


def test_bins_of_few_frames_are_drawn_open_and_off_the_scale_as_arrows() -> None:
    drawing = svg.Drawing("signal", "", "", 100)
    rows = pd.DataFrame(
        {
            "expected": [100, 5, 2],
            "share": [0.1, 0.2, 1.0],
            "share_low": [0.05, 0.0, 0.2],
            "share_high": [0.2, 0.9, 1.0],
        }
    )
    axis = panels.YAxis.over(np.array([20.0]), 0, 100, zero=True)
    fig_loss._draw_shares(drawing, rows, np.array([10.0, 20.0, 30.0]), axis)
    marks = "".join(drawing.marks)
    assert marks.count("a2.6") == 4  # two circles of two arcs each
    assert 'class="beat open" d="M26.6 5.0l3.4 -5l3.4 5z"' in marks
    assert 'class="curve"' not in marks  # one sure bin alone makes no line


def test_without_a_signal_in_the_layout_there_is_no_such_figure(tmp_path: Path) -> None:
    made = make_study(tmp_path, seconds=60)
    tables.write(
        tables.path(made.study.results, "signal", made.session),
        TABLES["signal"],
        tables.empty(TABLES["signal"]),
    )
    study_stage.run(made.study, [made.session])
    assert fig_loss.signal(made.study, read_session(made.study, made.session)) is None
    stage.run(made.study, made.session)
    text = (made.study.results / "report" / f"{made.session}.html").read_text(encoding="utf-8")
    assert "Loss and signal strength" not in text


# Pages


class Checked(HTMLParser):
    """Tags that open and close in order, ids, references and the headers of tables."""

    void = frozenset({"meta", "br", "link"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.headers: list[dict[str, str | None]] = []
        self.tags: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append(tag)
        self.ids += [found["id"]] if found.get("id") else []  # type: ignore[list-item]
        self.links += [str(found[key]) for key in ("href", "src") if key in found]
        if tag == "th":
            self.headers.append(found)
        if tag not in self.void:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_pages_are_whole_accessible_and_ask_for_nothing(page: str, index: str, made: Made) -> None:
    for text in (page, index):
        checked = Checked(text)
        assert len(checked.ids) == len(set(checked.ids))
        assert all(header.get("scope") in ("col", "row", "colgroup") for header in checked.headers)
        assert "script" not in checked.tags
        assert not re.search(r"https?:|//[a-z]|@import|url\((?!#w-)", text)
        assert len(text.encode()) < 1_500_000
        for link in checked.links:
            target, _, inside = link.partition("#")
            assert not target or (made.study.results / "report" / target).exists(), link
            assert not inside or inside in checked.ids, link
    assert set(re.findall(r"url\(#([\w-]+)\)", page)) <= set(Checked(page).ids)
    assert page.count("<figure>") == page.count("<figcaption>") == 12
    assert page.count('role="img"') == page.count("<desc ") == 12


def test_the_page_shows_the_verdict_its_reasons_and_its_cautions(page: str) -> None:
    found = reading_text(page)
    assert "◐ Limited:" in found
    assert "Length, not met. 0.08 h recorded; the study asks for 0.75 h." in found
    assert re.search(r"The lowest is that of skin, \d\d\.\d %", found)
    for words_ in (
        "min_coverage",
        "end of battery",
        "research only",
        "licensed person",
        "ethics approval",
        "Europe/Madrid",
        "07:00 to 07:05",
        "harvest",
    ):
        assert words_ in found, words_


def reading_text(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page))


def motion_rows(facts: PageFacts) -> pd.DataFrame:
    """Six epochs of a trunk: walking, half, still, without a value, not worn, not worn."""
    nan, count = float("nan"), 6
    values = {
        "walking_share": [1.0, 0.5, 0.0, nan, 0.0, 0.0],
        "nonwear": [0.0, 0.0, 0.0, nan, 1.0, 1.0],
        "upright_share": [1.0, 0.25, 0.0, nan, nan, nan],
        "level_share": [0.0, 0.75, 1.0, nan, nan, nan],
    }
    start = facts.start_ns + 30_000_000_000 * np.arange(count)
    pieces = [
        tables.build(
            TABLES["epochs"],
            {
                "participant": ["P01"] * count,
                "node": ["trunk"] * count,
                "placement": ["chest"] * count,
                "channel": ["acc"] * count,
                "epoch": np.arange(count, dtype=np.int32),
                "start_ns": start,
                "end_ns": start + 30_000_000_000,
                "feature": [name] * count,
                "value": np.array(each),
                "coverage": np.ones(count),
                "reason": [None if v == v else "low_coverage" for v in each],
                **dict.fromkeys(("low", "high", "bias"), np.full(count, nan)),
                "bar": [None] * count,
            },
        )
        for name, each in values.items()
    ]
    return pd.concat(pieces, ignore_index=True)


def test_walking_posture_and_wear_of_a_trunk(tmp_path: Path) -> None:
    made = make_study(tmp_path, seconds=180)
    study_stage.run(made.study, [made.session])
    facts = read_session(made.study, made.session)
    facts = replace(facts, epochs=motion_rows(facts))
    columns = {name: [0.0] for name in TABLES["calibration"].names}
    columns |= {
        "node": ["trunk"],
        "stream": ["acc"],
        "method": ["six_position"],
        "note": ["worse_than_raw"],
        "source": ["bench"],
        "still_windows": np.array([9]),
        "sphere_sides": np.array([2]),
        "residual_before_mg": [4.25],
        "residual_after_mg": [12.0],
    }
    target = tables.path(made.study.results, "calibration", made.session)
    tables.write(target, TABLES["calibration"], tables.build(TABLES["calibration"], columns))
    figure = fig_motion.motion(made.study, facts)
    assert figure is not None
    bars = re.search(r'<path class="got" d="([^"]+)"', figure.drawing)
    assert bars is not None
    assert [float(h) for h in re.findall(r"v([\d.]+)", bars[1])] == [26, 13]  # of a band of 26
    levels = re.search(r'<path class="posture level" d="([^"]+)"', figure.drawing)
    assert levels is not None
    assert [float(h) for h in re.findall(r"v([\d.]+)", levels[1])] == [8.2, 11]  # of a lane of 11
    assert figure.drawing.count('class="hole"') == 2  # of walking and of posture; none where not worn
    assert figure.drawing.count('class="why absent"') == 1
    assert f"walking in {words.percent(0.3)} of {words.percent(5 / 6)} of the epochs" in figure.drawing
    assert (
        "is it the same device?); still windows 4.2 mg off 1 g, 12.0 mg once calibrated." in figure.notes[0]
    )
    assert fig_motion.motion(made.study, replace(facts, epochs=facts.epochs.iloc[:0])) is None


def test_a_hole_is_shaded_and_no_line_crosses_it(page: str) -> None:
    figure = page[page.index("heart_rate_bpm-t") :]
    figure = figure[: figure.index("</svg>")]
    hole = re.search(r'<rect class="hole" x="([\d.]+)" y="[\d.]+" width="([\d.]+)"', figure)
    assert hole is not None
    left, right = float(hole[1]), float(hole[1]) + float(hole[2])
    for path in re.findall(r'<path class="curve" d="([^"]+)"', figure):
        for piece in path.split("M")[1:]:
            x = [float(point.split()[0]) for point in piece.split("L")]
            assert max(x) <= left or min(x) >= right


def test_each_figure_has_its_rows_in_a_file(made: Made) -> None:
    folder = made.study.results / "report" / f"{made.session}-data"
    names = {
        "coverage",
        "loss",
        "drift",
        "edge",
        "uncertainty",
        "heart_rate_bpm",
        "rmssd_ms",
        "enmo_mg",
        "mean",
        "minutes",
        "next-time",
        "worst",
        "signal",
        "gaps",
        "exclusions",
        "ledger",
    }
    assert {path.stem for path in folder.glob("*.csv")} == names
    # A published standard's own checker, which reads every file against its description.
    report = frictionless.validate(folder / "datapackage.json")
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])
    package = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
    fields = {
        (each["name"], field["name"]): field
        for each in package["resources"]
        for field in each["schema"]["fields"]
    }
    assert fields["drift", "skew_ppm"]["unit"] == TABLES["clock"]["skew_ppm"].unit
    assert fields["edge", "residual_ms"]["description"] == TABLES["clock"]["residual_ms"].meaning
    assert fields["heart_rate_bpm", "low"]["unit"] == "bpm"
    nameless = [key for key, field in fields.items() if "description" not in field]
    assert nameless == []
    rows = pd.read_csv(folder / "coverage.csv")
    shares = rows[[name for name in rows if name.startswith("share_")]].sum(axis=1)
    assert shares.to_numpy() == pytest.approx(1.0, abs=1e-5)
    gaps = pd.read_csv(folder / "gaps.csv")
    stored = tables.read(tables.path(made.study.results, "gaps", made.session), "gaps")
    assert (gaps["cause"] != ABSENT).sum() == len(stored)


def test_running_again_gives_the_same_bytes(made: Made, page: str) -> None:
    stage.run(made.study, made.session)
    target = made.study.results / "report" / f"{made.session}.html"
    assert target.read_text(encoding="utf-8") == page


def test_the_index_shows_failed_sessions_with_their_sentence(index: str, made: Made) -> None:
    assert '<tr class="failed">' in index
    assert "capture &lt;x&gt; &amp; y is empty; expected frames." in index
    assert 'href="S02-lossy.html"' in index
    assert "S01-clean" not in index  # neither finished nor failed
    assert [row.code for row in overview.rows(made.study, [made.session])] == ["limited", ""]
    assert "2 sessions:" in reading_text(index)


def test_an_index_without_any_study_table(tmp_path: Path) -> None:
    stage.index(write_config(tmp_path), [])
    assert "0 sessions:" in reading_text((tmp_path / "results/report/index.html").read_text(encoding="utf-8"))


def test_a_session_that_the_study_does_not_hold(made: Made) -> None:
    with pytest.raises(ContractError, match="no row for session S01-clean"):
        stage.run(made.study, "S01-clean")


def test_a_node_that_never_sent_still_has_its_row(tmp_path: Path) -> None:
    study = write_config(tmp_path)
    made = make_study(tmp_path, seconds=60)
    for name in ("frames", "gaps", "loss", "clock", "epochs"):
        rows = stored(study.results, name, made.session)
        rows = rows[rows["node"] != "ankle"].reset_index(drop=True)
        if name == "frames":
            store_frames(study.results, made.session, rows)
        else:
            tables.write(tables.path(study.results, name, made.session), TABLES[name], rows)
    study_stage.run(study, [made.session])
    stage.run(study, made.session)
    found = reading_text((study.results / "report" / f"{made.session}.html").read_text(encoding="utf-8"))
    assert "No place in time for ankle" in found
    assert "no frame received" in found
    rows = tables.read(tables.path(study.results, "sessions"), "sessions").set_index("node")
    assert (rows.loc["ankle", "verdict"], rows.loc["ankle", "coverage"]) == ("unusable", 0.0)


def test_a_session_without_features_still_has_its_page(tmp_path: Path) -> None:
    made = make_study(tmp_path, seconds=60)
    path = tables.path(made.study.results, "epochs", made.session)
    tables.write(path, TABLES["epochs"], tables.empty(TABLES["epochs"]))
    study_stage.run(made.study, [made.session])
    stage.run(made.study, made.session)
    stage.index(made.study, [made.session])
    text = (made.study.results / "report" / f"{made.session}.html").read_text(encoding="utf-8")
    assert "Unusable:" in reading_text(text)
    assert text.count("<figure>") == 7


@pytest.mark.parametrize(
    ("seconds", "text"), [(59.96, "1 min"), (3600, "1 h"), (0.0801, "80 ms"), (9.99, "10.0 s")]
)
def test_durations(seconds: float, text: str) -> None:
    assert words.duration(seconds) in (text, text.replace("10.0 s", "10 s"))
