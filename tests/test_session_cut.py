"""A session's written start and end against the same capture without them, restricted here by pandas alone.

::

    capture   |---------------------------------------|   05:00 to 05:06 UTC
    am        |------------------)                        until 05:03:07.3
    pm                           [--------------------|   from then on
    mid                  [--------------)                 05:02:31.123 to 05:04:20, a restart before it
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import open_captures
import pandas as pd
import pytest
from captures import START, Recording, truth_of, write_study
from conftest import samples_in, simulated
from test_captures import radio

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import CONTRACT, GOOD, ContractError
from nodeday.stages.clock import stage as clock
from nodeday.stages.clock.cut import numbers_within
from nodeday.stages.features import stage as features
from nodeday.stages.frames import stage as received
from nodeday.stages.loss import stage as loss
from nodeday.stages.repair import stage as repair
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
        whole = samples_in(study, DAY, node, stream)
        kept = whole[(whole["utc_ns"] >= start) & (whole["utc_ns"] < end)]
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
    whole, cut = (pd.read_parquet(path) for path in paths)
    kept = whole[(whole["utc_ns"] >= start) & (whole["utc_ns"] < end)].reset_index(drop=True)
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
    whole, cut = table(study, "loss", DAY), table(study, "loss", session)
    inner = (whole["minute_utc_ns"] > start + 10**9) & (whole["minute_utc_ns"] + 61 * 10**9 < end)
    assert inner.any() or session == "mid"
    same = cut.merge(
        whole[inner], how="right", indicator=True, on=list(whole.columns.drop(["rssi_dbm", "lqi"]))
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
    """The wrist is silent for 5 s around a restart that an edge of `mid` cuts; the hub is off for 30 s of `pm`."""
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
    said = capsys.readouterr().out
    before, after = int(cut["before"].sum()), int(cut["after"].sum())
    assert (
        f"Of these not in the session: {before + after:,}; before its start {before:,}, "
        f"from its end on {after:,}, without a time in UTC 0.\n"
    ) in said
    assert "The tables agree with the frames." in said
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
