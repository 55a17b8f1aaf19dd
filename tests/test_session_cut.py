"""A session's written start and end against the same capture without them, restricted here by pandas alone.

::

    capture   |---------------------------------------|   05:00 to 05:06 UTC
    am        |------------------)                        until 05:03:07.3
    pm                           [--------------------|   from then on
    mid                  [--------------)                 05:02:31.123 to 05:04:20, a restart before it
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import made_captures as made
import numpy as np
import open_captures
import pandas as pd
import pytest
from captures import START, Mark, Recording, truth_of, write_study
from conftest import samples_in, simulated, small_study
from test_captures import MULTIHOP, needs_open_data, radio
from test_containers import RECORDED, by_frame

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import CONTRACT, GOOD
from nodeday.stages.clock import stage as clock
from nodeday.stages.clock.cut import numbers_within
from nodeday.stages.features import stage as features
from nodeday.stages.frames import stage as received
from nodeday.stages.loss import stage as loss
from nodeday.stages.repair import stage as repair
from nodeday.stages.report.facts import read_session
from nodeday.stages.study import stage as study_stage
from nodeday.storage import frames, tables

DAY, NOON = "S01-clean", "2026-07-14T07:03:07.3"
HEAD = "session\tparticipant\tcaptures\tlayout\tzone\tstart\tend\n"
SESSIONS = {
    DAY: ("P01", "", ""),
    "am": ("P02", "", NOON),
    "pm": ("P02", NOON, ""),
    "mid": ("P03", "2026-07-14T07:02:31.123", "2026-07-14T07:04:20"),
}
SCENARIO = """
seed: 7
sessions:
  S01-clean:
    start: 2026-07-14T05:00:00Z
    phases: [{phase: rest, minutes: 3, bpm: 64}, {phase: harvest, minutes: 3, bpm: 100, gait: 0.6}]
    channel: {loss: 0.05, burst: 4, duplicates: 0.01, late: 0.01, corrupt: 0.005}
    restarts: [{node: wrist, at_min: 2.5, silent_s: 5}]
    outages: [{at_min: 4, minutes: 0.5}]
"""
STREAMS = [("heart", "ecg"), ("trunk", "acc"), ("wrist", "acc"), ("ankle", "acc"), ("skin", "temp")]
ROOMY = {"heart": 20, "trunk": 10, "wrist": 10, "ankle": 10, "skin": 4}
"""Samples of a frame."""
CHAIN = (received.run, clock.run, loss.run, repair.run, features.run)


def sheet(folder: Path, rows: dict[str, tuple[str, str, str]], capture: str = f"{DAY}.bin") -> None:
    """Write sessions.tsv, all sessions of one capture."""
    lines = [
        f"{s}\t{p}\tcaptures/{capture}\tbeltframe\tEurope/Madrid\t{a}\t{b}\n" for s, (p, a, b) in rows.items()
    ]
    (folder / "config" / "sessions.tsv").write_text(HEAD + "".join(lines))
    notes = [
        f"{s}\t{phase}\t2026-07-14T07:0{at}\t\n" for s in rows for phase, at in (("rest", 0), ("harvest", 3))
    ]
    (folder / "config" / "events.tsv").write_text("session\tphase\tstart\tend\n" + "".join(notes))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = simulated(tmp_path_factory.mktemp("cut") / "study", SCENARIO)
    sheet(folder, SESSIONS)
    found = Study(folder)
    for session in SESSIONS:
        for run in CHAIN:
            run(found, session)
    study_stage.run(found, list(SESSIONS))
    return found


def table(study: Study, name: str, session: str) -> pd.DataFrame:
    rows = tables.read(tables.path(study.results, name, session), name)
    return rows.astype(
        {column: str for column in rows if isinstance(rows[column].dtype, pd.CategoricalDtype)}
    )


def edges(session: str) -> tuple[int, int]:
    """Start and end in UTC by pandas."""
    return tuple(  # type: ignore[return-value]
        pd.Timestamp(text).tz_localize("Europe/Madrid").value if text else open_end
        for text, open_end in zip(SESSIONS[session][1:], (0, 1 << 62), strict=True)
    )


def all_frames(study: Study, node: str, stream: str) -> pd.DataFrame:
    """Every number of a stream of the capture with the instant of its first sample, and whether it came."""
    numbers = samples_in(study, DAY, node, stream).query("position == 0")[["boot", "seq", "utc_ns"]]
    rows = frames.table(study.results, DAY).astype({"node": str, "stream": str, "status": str})
    rows = rows[(rows["node"] == node) & (rows["stream"] == stream) & (rows["status"] != "duplicate")]
    came = pd.MultiIndex.from_frame(rows[["boot", "seq"]])
    return numbers.assign(received=pd.MultiIndex.from_frame(numbers[["boot", "seq"]]).isin(came))


def restricted(study: Study, node: str, stream: str, session: str) -> pd.DataFrame:
    rows, (start, end) = all_frames(study, node, stream), edges(session)
    return rows[(rows["utc_ns"] >= start) & (rows["utc_ns"] < end)]


# --- samples and grid ---------------------------------------------------------------------------


@pytest.mark.parametrize("session", ["am", "pm", "mid"])
def test_samples_are_those_of_the_uncut_session(study: Study, session: str) -> None:
    start, end = edges(session)
    for node, stream in STREAMS:
        uncut = samples_in(study, DAY, node, stream)
        kept = uncut[(uncut["utc_ns"] >= start) & (uncut["utc_ns"] < end)]
        pd.testing.assert_frame_equal(samples_in(study, session, node, stream), kept.reset_index(drop=True))


def test_two_halves_hold_each_sample_once(study: Study) -> None:
    for node, stream in STREAMS:
        halves = pd.concat([samples_in(study, half, node, stream) for half in ("am", "pm")])
        key = ["boot", "seq", "position"]
        assert not halves.duplicated(key).any()
        pd.testing.assert_frame_equal(
            halves[key].reset_index(drop=True), samples_in(study, DAY, node, stream)[key]
        )


@pytest.mark.parametrize("session", ["am", "pm", "mid"])
def test_the_grid_is_that_of_the_uncut_session(study: Study, session: str) -> None:
    start, end = edges(session)
    paths = [tables.path(study.results, "aligned", name) for name in (DAY, session)]
    uncut, cut = (pd.read_parquet(path) for path in paths)
    kept = uncut[(uncut["utc_ns"] >= start) & (uncut["utc_ns"] < end)].reset_index(drop=True)
    pd.testing.assert_frame_equal(cut, kept)
    assert len(cut) > 10_000


# --- losses -------------------------------------------------------------------------------------


@pytest.mark.parametrize("session", ["am", "pm", "mid"])
def test_losses_are_those_between_the_edges(study: Study, session: str) -> None:
    radio_rows, gaps, minutes = (table(study, name, session) for name in ("radio", "gaps", "loss"))
    for node, stream in STREAMS:
        due = restricted(study, node, stream, session)
        row = radio_rows[radio_rows["node"] == node].iloc[0]
        assert (row["expected"], row["received"]) == (len(due), due["received"].sum())
        own = minutes[minutes["node"] == node]
        assert (own["expected"].sum(), own["received"].sum()) == (row["expected"], row["received"])
        known = gaps[(gaps["node"] == node) & (gaps["extent"] == "known")]
        lost = {
            (int(gap.boot), number)
            for gap in known.itertuples()
            for number in range(int(gap.seq_from), int(gap.seq_to))
        }
        assert lost == set(due.loc[~due["received"], ["boot", "seq"]].itertuples(index=False, name=None))


@pytest.mark.parametrize("session", ["am", "pm", "mid"])
def test_causes_and_minutes_are_those_of_the_uncut_session(study: Study, session: str) -> None:
    """A minute that no edge cuts is the same row; a gap keeps its cause where an edge cuts it."""
    start, end = edges(session)
    uncut, cut = table(study, "loss", DAY), table(study, "loss", session)
    inner = (uncut["minute_utc_ns"] > start + 10**9) & (uncut["minute_utc_ns"] + 61 * 10**9 < end)
    assert inner.any() or session == "mid"
    same = cut.merge(
        uncut[inner], how="right", indicator=True, on=list(uncut.columns.drop(["rssi_dbm", "lqi"]))
    )
    assert (same["_merge"] == "both").all()
    of = {
        (gap.node, gap.stream, gap.boot, number): gap.cause
        for gap in table(study, "gaps", DAY).query("extent == 'known'").itertuples()
        for number in range(int(gap.seq_from), int(gap.seq_to))
    }
    for gap in table(study, "gaps", session).query("extent == 'known'").itertuples():
        for number in range(int(gap.seq_from), int(gap.seq_to)):
            assert of[gap.node, gap.stream, gap.boot, number] == gap.cause


def test_two_halves_expect_each_frame_once(study: Study) -> None:
    counts = ["expected", "received", "lost_radio", "lost_hub_outage", "duplicates", "late"]
    day, *halves = (
        table(study, "radio", name).set_index(["node", "stream"])[counts] for name in (DAY, "am", "pm")
    )
    pd.testing.assert_frame_equal(halves[0] + halves[1], day)


def test_a_silence_counts_as_long_as_it_is_in_the_session(study: Study) -> None:
    """An edge of `mid` cuts the wrist's silence of 5 s around a restart; the hub is off for 30 s of `pm`."""
    gap = table(study, "gaps", "mid").query("extent == 'unknown'")
    assert gap[["node", "cause"]].to_numpy().tolist() == [["wrist", "node_restart"]]
    assert table(study, "gaps", "pm").query("extent == 'unknown'").empty
    longest = table(study, "radio", "mid").set_index("node")["longest_gap_s"]
    assert longest["heart"] == pytest.approx(20, abs=0.3)  # of the hub's 30 s


# --- every frame is accounted for ---------------------------------------------------------------


def test_frames_and_rejects_are_the_same_in_every_session(study: Study) -> None:
    for session in ("am", "pm", "mid"):
        pd.testing.assert_frame_equal(frames.table(study.results, session), frames.table(study.results, DAY))
        pd.testing.assert_frame_equal(table(study, "rejects", session), table(study, "rejects", DAY))


def test_each_frame_is_inside_before_or_after(study: Study) -> None:
    assert table(study, "cut", DAY).empty
    every = frames.table(study.results, DAY).groupby(["node", "stream", "boot"], observed=True).size()
    for session in ("am", "pm", "mid"):
        cut = table(study, "cut", session).set_index(["node", "stream", "boot"])
        counts = cut[["inside", "before", "after", "untimed"]]
        assert counts.sum(axis=1).to_dict() == {tuple(key): int(n) for key, n in every.items()}
    halves = [table(study, "cut", half) for half in ("am", "pm")]
    assert (halves[0]["inside"] == halves[1]["before"]).all()
    assert (halves[0]["after"] == halves[1]["inside"]).all()


def test_the_audit_says_how_many_frames_are_outside(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    cut = table(study, "cut", "mid")
    assert main(["audit", "mid", "--study", str(study.root)]) == GOOD
    sentence = capsys.readouterr().out
    before, after = int(cut["before"].sum()), int(cut["after"].sum())
    assert (
        f"Of these not in the session: {before + after:,}; before its start {before:,}, "
        f"from its end on {after:,}, without a time in UTC 0.\n"
    ) in sentence
    assert "The tables agree with the frames." in sentence
    assert main(["audit", DAY, "--study", str(study.root)]) == GOOD
    assert "not in the session" not in capsys.readouterr().out


# --- features and the study ---------------------------------------------------------------------


@pytest.mark.parametrize("session", ["am", "pm", "mid"])
def test_beats_and_epochs_are_in_the_session(study: Study, session: str) -> None:
    start, end = edges(session)
    beats, epochs = table(study, "beats", session), table(study, "epochs", session)
    assert beats["utc_ns"].between(start, end - 1).all()
    assert len(beats) > 60
    if SESSIONS[session][1]:
        assert epochs["start_ns"].min() == start
    last = min(end, table(study, "epochs", DAY)["end_ns"].max())
    assert last - 30 * 10**9 <= epochs["start_ns"].max() < last


def test_the_study_has_the_hours_between_the_edges(study: Study) -> None:
    """Coverage counts against the written hours; phases are cut to them."""
    rows = tables.read(tables.path(study.results, "sessions"), "sessions").astype(
        {"session": str, "node": str}
    )
    phases = tables.read(tables.path(study.results, "phases"), "phases").astype({"session": str})
    start, end = edges("mid")
    mid = rows[rows["session"] == "mid"].set_index("node")
    assert set(mid["start_ns"]) == {start}
    assert set(mid["end_ns"]) == {end}
    for node, stream in STREAMS:
        due = restricted(study, node, stream, "mid")
        assert (mid.loc[node, "frames_received"], mid.loc[node, "frames_lost"]) == (
            due["received"].sum(),
            (~due["received"]).sum(),
        )
        rate = Study(study.root).layout_of("mid", node).stream(stream).rate_hz
        share = due["received"].sum() * ROOMY[node] / (rate * (end - start) / 1e9)
        assert mid.loc[node, "coverage"] == pytest.approx(share)
    inside = phases[(phases["session"] == "mid") & (phases["start_ns"] < phases["end_ns"])]
    assert inside["start_ns"].min() == start
    assert inside["end_ns"].max() == end


# --- edges --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "end", "numbers"),
    [
        (None, None, (7, 13)),
        (70, 120, (7, 12)),  # half-open: the frame at the start is in, that at the end is not
        (71, 121, (8, 13)),
        (100, 110, (10, 11)),  # both between frames: of the lost ones those that were due
        (101, 102, (11, 11)),
        (0, 70, (7, 7)),
        (0, 10**9, (7, 13)),
        (121, None, (13, 13)),
    ],
)
def test_numbers_within_edges(start: int | None, end: int | None, numbers: tuple[int, int]) -> None:
    """Numbers 8, 10 and 11 were lost; each was due 10 after the one before."""
    seq, utc = np.array([7, 9, 12]), np.array([70, 90, 120])
    assert numbers_within(seq, utc, (start, end), (7, 13)) == numbers


def test_numbers_agree_with_a_search_in_fractions() -> None:
    """Any frames and edges: a number is in where its exact instant is, compared as fractions."""
    rng = np.random.default_rng(5)
    for _ in range(300):
        seq = np.sort(rng.choice(60, rng.integers(2, 20), replace=False)).astype(np.int64)
        utc = np.cumsum(rng.integers(1, 10**12, len(seq)))
        first, last = int(seq[0]), int(seq[-1])
        start, end = np.sort(rng.integers(utc[0] - 10, utc[-1] + 10, 2)).tolist()
        exact = []
        for number in range(first, last + 1):
            at = min(int(np.searchsorted(seq, number, side="right")) - 1, len(seq) - 2)
            (low, high), (begin, stop) = seq[at : at + 2].tolist(), utc[at : at + 2].tolist()
            instant = begin + Fraction((number - low) * (stop - begin), high - low)
            exact += [number] if start <= instant < end else []
        low, high = numbers_within(seq, utc, (start, end), (first, last + 1))
        assert list(range(low, high)) == exact


# --- what cannot be cut -------------------------------------------------------------------------


@pytest.fixture
def copied(study: Study, tmp_path: Path) -> Path:
    """A copy of the study without its results."""
    return Path(shutil.copytree(study.root, tmp_path / "study", ignore=shutil.ignore_patterns("results")))


def stopped(folder: Path, capsys: pytest.CaptureFixture[str], session: str = "S1") -> str:
    """Run the first two stages of a session; return the sentence with which the second one stops."""
    assert main(["stage", "frames", session, "--study", str(folder)]) == GOOD
    assert main(["stage", "clock", session, "--study", str(folder)]) == CONTRACT
    return capsys.readouterr().err.strip().removeprefix("nodeday: ")


@pytest.mark.parametrize(
    ("start", "end", "sentence"),
    [
        (
            "2026-07-14T08:00",
            "2026-07-14T09:00",
            "session S1: no frame lies within start 2026-07-14T08:00:00+02:00 and end "
            "2026-07-14T09:00:00+02:00; expected some; the capture's frames last from "
            "2026-07-14T07:00:00+02:00 to 2026-07-14T07:05:59+02:00. Correct start and end in "
            "config/sessions.tsv.",
        ),
        (
            "",
            "2026-07-14T06:00",
            "session S1: no frame lies within end 2026-07-14T06:00:00+02:00; expected some; the capture's "
            "frames last from 2026-07-14T07:00:00+02:00 to 2026-07-14T07:05:59+02:00. Correct start and end "
            "in config/sessions.tsv.",
        ),
        (
            "2026-07-14T07:00",
            "2036-07-14T09:00",
            "session S1: end 2036-07-14T09:00:00+02:00 is more than a day outside of the capture; expected "
            "an instant near it; the capture's frames last from 2026-07-14T07:00:00+02:00 to "
            "2026-07-14T07:05:59+02:00. Correct start and end in config/sessions.tsv.",
        ),
    ],
)
def test_a_session_outside_of_its_capture_stops_in_a_sentence(
    start: str, end: str, sentence: str, copied: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet(copied, {DAY: ("P01", "", ""), "S1": ("P02", start, end)})
    assert stopped(copied, capsys) == sentence


def without_marks(root: Path, ends: str, second: str = "") -> Path:
    """A capture of two nodes without host marks, in a session with these edges, and maybe in a second one."""
    recording = made.slow_stream_silence(False)
    folder = write_study(root / "study", {"S1": replace(recording, marks=[])})
    path = folder / "config" / "sessions.tsv"
    row = f"captures/S1.bin\tS1\t{START:%Y-%m-%dT%H:%M:%S}"
    rows = [f"S1\tP1\t{row}\t{ends}", *([f"S2\tP2\tcaptures/S1.bin\tS1\t{second}\t"] if second else [])]
    path.write_text("\n".join(["session\tparticipant\tcaptures\tlayout\tstart\tend", *rows]) + "\n")
    nodes = folder / "config" / "nodes.tsv"
    nodes.write_text(nodes.read_text().replace("S1\t", "*\t"))
    (folder / "config" / "participants.tsv").write_text("participant\nP1\nP2\n")
    return folder


def test_without_host_marks_nothing_is_cut_at_an_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = without_marks(tmp_path, "2026-03-02T08:10:00")
    assert stopped(folder, capsys) == (
        "session S1: no host mark says when the capture was, so it cannot be cut at the session's end "
        "2026-03-02 08:10:00; expected host marks in the capture. Leave the end in config/sessions.tsv "
        "empty: a start alone dates the first frame, to a minute."
    )


def test_without_host_marks_a_capture_is_one_session(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = without_marks(tmp_path, "", "2026-03-02T09:00:00")
    assert stopped(folder, capsys) == (
        "session S1: no host mark says when the capture was, and session S2 takes it with another start; "
        "expected host marks in the capture. Without them a capture can be one session only: take a row out "
        "of config/sessions.tsv."
    )


def test_a_start_that_dates_a_capture_cuts_nothing(tmp_path: Path) -> None:
    folder = without_marks(tmp_path, "")
    for stage in ("frames", "clock", "loss"):
        assert main(["stage", stage, "S1", "--study", str(folder)]) == GOOD
    here = Study(folder)
    assert table(here, "cut", "S1").empty
    assert (table(here, "clock", "S1")["status"] == "start_by_hand").all()
    received_rows = frames.table(here.results, "S1")
    distinct = received_rows[received_rows["status"].isin(["good", "late", "inconsistent"])]
    assert table(here, "radio", "S1")["received"].sum() == len(distinct)


# --- captures that nodeday's simulator did not make ----------------------------------------------

MADE: dict[str, Callable[[], Recording]] = {
    "queue sent on return": lambda: made.store_and_forward(False, True),
    "queue between live frames": lambda: made.store_and_forward(True, True),
    "second copies behind a queue": lambda: made.late_duplicates(True),
}


def at(seconds: float) -> str:
    """An instant of a made capture as a sheet has it."""
    return f"{START + pd.Timedelta(seconds, unit='s'):%Y-%m-%dT%H:%M:%S.%f}"


def cut_study(root: Path, recording: Recording, spans: dict[str, tuple[str, str]]) -> Study:
    """A study with sessions over one capture, counted."""
    folder = write_study(root / "study", {"S1": recording})
    rows = [f"{name}\tP1\tcaptures/S1.bin\tS1\t{start}\t{end}" for name, (start, end) in spans.items()]
    head = "session\tparticipant\tcaptures\tlayout\tstart\tend"
    (folder / "config" / "sessions.tsv").write_text("\n".join([head, *rows]) + "\n")
    nodes = folder / "config" / "nodes.tsv"
    nodes.write_text(nodes.read_text().replace("S1\t", "*\t"))
    for name in spans:
        for stage in ("frames", "clock", "loss", "repair"):
            assert main(["stage", stage, name, "--study", str(folder)]) == GOOD, f"{name}: stage {stage}"
    return Study(folder)


def test_the_page_shows_a_silence_over_both_edges_as_lost(tmp_path: Path) -> None:
    """A node sends nothing from 400 s to 700 s; the session is from 450 s to 600 s."""
    complete = made.store_and_forward(False, True)
    sent = [one for one in complete.log if not (one.address == 16 and 400 <= one.made_s < 700)]
    study = cut_study(tmp_path, replace(complete, log=sent), {"mid": (at(450), at(600))})
    for stage in ("features", "study", "report"):
        assert main(["stage", stage, "mid", "--study", str(study.root)]) == GOOD
    lost = {one.node: one for one in read_session(study, "mid").streams}["n16"]
    known = lost.extent == "known"
    assert (lost.end_ns - lost.start_ns)[known].sum() / 1e9 == pytest.approx(150, abs=0.01)
    assert lost.counts["expected"] - lost.counts["received"] == 600


@pytest.mark.parametrize("name", MADE)
def test_frames_that_wait_belong_where_they_were_made(tmp_path: Path, name: str) -> None:
    """Both edges lie in a minute in which the node keeps its frames, and sends them after the edge."""
    recording, (start, end) = MADE[name](), (860.1, 1000.1)
    study = cut_study(tmp_path, recording, {"S1": (at(start), at(end))})
    truth = truth_of([one for one in recording.log if start <= one.made_s < end])
    assert any(one.made_s < end < one.hub_s - made.HUB_FROM_S - 10 for one in recording.log)
    rows = table(study, "radio", "S1").set_index("node")
    for node, counted in truth.items():
        assert rows.loc[node, "received"] == counted.received
        assert rows.loc[node, "duplicates"] == counted.duplicates
        assert rows.loc[node, "expected"] == (end - start) / 0.25
        times = samples_in(study, "S1", node, "level")["utc_ns"]
        assert len(times) == rows.loc[node, "expected"]
        assert times.min() >= (START.timestamp() + start) * 1e9
        assert times.max() < (START.timestamp() + end) * 1e9


def test_frames_that_no_host_mark_dates_are_in_no_session(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The hub restarts twice; from second 500 to 700 no host was there, so that 200 s have no time."""
    plain, parts = made.store_and_forward(False, True), list[bytes]()
    for begin, end, dated in ((0.0, 500.0, True), (500.0, 700.0, False), (700.0, 9e9, True)):
        low, high = made.HUB_FROM_S + begin, made.HUB_FROM_S + end
        log = [replace(one, hub_s=one.hub_s - begin) for one in plain.log if low <= one.hub_s < high]
        marks = [replace(one, hub_s=one.hub_s - begin) for one in plain.marks if low <= one.hub_s < high]
        parts.append(Recording(plain.wire, log, marks if dated else []).capture())
    folder = write_study(tmp_path / "study", {"S1": plain})
    (folder / "captures" / "S1.bin").write_bytes(b"".join(parts))
    head = "session\tparticipant\tcaptures\tlayout\tstart\tend\n"
    for span, sentence in (((400.1, 900.1), ""), ((520.1, 650.1), "more have no host mark near them")):
        row = f"S1\tP1\tcaptures/S1.bin\tS1\t{at(span[0])}\t{at(span[1])}\n"
        (folder / "config" / "sessions.tsv").write_text(head + row)
        if sentence:
            assert sentence in stopped(folder, capsys)
            continue
        for stage in ("frames", "clock", "loss", "repair"):
            assert main(["stage", stage, "S1", "--study", str(folder)]) == GOOD
        cut = table(Study(folder), "cut", "S1").groupby("node")[["inside", "untimed"]].sum()
        stamps = np.array([one.hub_s - made.HUB_FROM_S for one in plain.log if one.address == 16])
        dated = int(((stamps >= 400.1) & (stamps < 500)).sum() + ((stamps >= 700) & (stamps < 900.1)).sum())
        assert cut.loc["n16", "untimed"] == ((stamps >= 500) & (stamps < 700)).sum()
        assert cut.loc["n16", "inside"] == pytest.approx(dated, abs=2)


def test_a_decoded_recording_with_utc_times(tmp_path: Path) -> None:
    """Frame n begins 16 ms before 20 n ms; 100 to 119 were lost, of which the session begins with 101."""
    row = "S1\tP1\tcaptures/day.csv\trecorded\t2026-07-14T07:00:02\t2026-07-14T07:00:04.010\n"
    head = "session\tparticipant\tcaptures\tlayout\tstart\tend\n"
    folder = small_study(tmp_path, **{"sessions.tsv": head + row})
    (folder / "config" / "layouts" / "recorded.yaml").write_text(RECORDED)
    (folder / "config" / "recorded").mkdir()
    (folder / "config" / "recorded" / "recorded.yaml").write_text("time_utc: true\n")
    rows = by_frame()
    rows.assign(time=rows["time"].dt.strftime("%Y-%m-%dT%H:%M:%S.%f")).to_csv(
        folder / "captures" / "day.csv", index=False
    )
    here = Study(folder)
    for run in CHAIN[:-1]:
        run(here, "S1")
    ecg = table(here, "radio", "S1").set_index("node").loc["heart"]
    assert (ecg["expected"], ecg["received"], ecg["lost_radio"]) == (101, 82, 19)
    written = samples_in(here, "S1", "heart", "ecg")
    got = written[written["origin"] == "measured"]
    assert got["utc_ns"].between(*edges_of("2026-07-14T05:00:02", "2026-07-14T05:00:04.01")).all()
    assert set(got["seq"]) - set(range(120 + 7, 202 + 7)) == set()
    assert written["seq"].min() in (107, 108)


def edges_of(start: str, end: str) -> tuple[int, int]:
    """Return the first and the last nanosecond from one instant in UTC to another, by pandas."""
    return pd.Timestamp(start).value, pd.Timestamp(end).value - 1


@needs_open_data
def test_two_halves_of_an_open_capture_make_all_of_it(tmp_path: Path) -> None:
    """The multi-hop network, cut in a lull after 20 minutes; its packets come up to two minutes late.

    When packets were made is read off a straight line through the quickest arrival of each three minutes: the
    network's slots are 0.09 % longer than nominal. None was made within 1.5 s of the edge.
    """
    plain = open_captures.multihop(radio(MULTIHOP), "made")
    first_s = min(one.hub_s for one in plain.log)
    log = [replace(one, hub_s=one.hub_s - first_s + 10) for one in plain.log]
    stamp_s = np.array([one.hub_s for one in log])
    slot_s = np.array([one.value for one in log]) * open_captures.SLOT_S
    waits = pd.DataFrame({"slot_s": slot_s, "wait_s": stamp_s - slot_s, "part": stamp_s // 180})
    quick = waits.loc[waits.groupby("part")["wait_s"].idxmin()]
    made_s = slot_s + np.polyval(np.polyfit(quick["slot_s"], quick["wait_s"], 1), slot_s)
    instants = np.sort(made_s)
    after = np.flatnonzero((np.diff(instants) > 3.0) & (instants[1:] > 1200))[0]
    edge = float(instants[after : after + 2].mean())
    marks = [
        Mark(float(second), round((START.timestamp() + second) * 1e3), number)
        for number, second in enumerate(range(0, int(stamp_s.max()) + 10, 10))
    ]
    recording = Recording(plain.wire, log, marks)
    spans = {"S1": ("", ""), "early": ("", at(edge)), "late": (at(edge), "")}
    study = cut_study(tmp_path, recording, spans)
    counts = ["expected", "received", "duplicates", "conflicts", "late", "lost_radio", "lost_joint_silence"]
    rows = [table(study, "radio", name).set_index(["node", "stream"])[counts] for name in spans]
    pd.testing.assert_frame_equal(rows[1].add(rows[2], fill_value=0).astype(np.int64), rows[0])
    truth = truth_of([one for one, instant in zip(log, made_s, strict=True) if instant < edge])
    got = rows[1].reset_index("stream")["received"]
    assert {f"n{one}": got[f"n{one}"] for one in (int(node[1:]) for node in truth)} == {
        node: counted.received for node, counted in truth.items()
    }
