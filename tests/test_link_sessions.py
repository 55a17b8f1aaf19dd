"""Sessions whose frames are counters alone go through all stages, to the page and the exports."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import open_captures
import pandas as pd
import pytest
from captures import START, STREAMS, Logged, Mark, Recording, Wire, truth_of, write_study
from nodeday.schemas import TABLES
from test_captures import MULTIHOP, SUB_GHZ, TICKS, radio, reported

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import CONTRACT, GOOD
from nodeday.storage import frames, tables

needs_open_data = pytest.mark.skipif(
    not os.environ.get("NODEDAY_OPEN_DATA"), reason="NODEDAY_OPEN_DATA is not set"
)
LINK = tuple(STREAMS.values())
WITHOUT_ROWS = ("aligned", "beats", "signal_quality", "epochs", "calibration", "bouts", "movements")
BEGAN_S = 300.0


def link_only(recording: Recording) -> Recording:
    """A recording without its samples."""
    return replace(recording, wire=replace(recording.wire, link_only=LINK))


def marked(recording: Recording) -> Recording:
    """A recording with a host mark every ten seconds."""
    last_s = max(one.hub_s for one in recording.log)
    utc_ms = round(START.timestamp()) * 1000
    seconds = range(0, int(last_s), 10)
    return replace(recording, marks=[Mark(at, utc_ms + 1000 * at, at // 10) for at in seconds])


def log_of(addresses: tuple[int, ...] = (5,), lost: tuple[int, ...] = (40, 41, 60)) -> list[Logged]:
    """A frame a second of each node; all nodes lose the same ones."""
    kept = [count for count in range(200) if count not in lost]
    return [
        Logged(node, 0, count, 0, count, BEGAN_S + count, float(count))
        for count in kept
        for node in addresses
    ]


def without_start(root: Path, session: str) -> None:
    """Take the written start of a session away."""
    sheet = root / "config" / "sessions.tsv"
    rows = [line.split("\t") for line in sheet.read_text().splitlines()]
    rows = [[*row[:-1], ""] if row[0] == session else row for row in rows]
    sheet.write_text("".join("\t".join(row) + "\n" for row in rows))


def nodeday(root: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run a command on a study in a process of its own, as a person would."""
    command = [sys.executable, "-m", "nodeday", *words, "--study", str(root)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def table(root: Path, name: str, session: str | None = None) -> pd.DataFrame:
    return tables.read(tables.path(Study(root).results, name, session), name)


def assert_finished(root: Path, recordings: dict[str, Recording]) -> None:
    """Assert that all stages ran, that losses are true, and that all else is empty and valid."""
    assert nodeday(root, "run", "--cores", "2").returncode == GOOD
    sessions = table(root, "sessions").astype({"session": str, "node": str})
    for name, recording in recordings.items():
        truth = truth_of(recording.log)
        assert reported(root, name) == truth
        for each in WITHOUT_ROWS:
            assert table(root, each, name).empty
        own = sessions[sessions["session"] == name].set_index("node")
        assert own["coverage"].isna().all()
        assert (own["coverage_reason"] == "no_samples").all()
        assert (own["verdict"] == "link_only").all()
        lost = {node: (counts.received, counts.lost) for node, counts in truth.items()}
        assert {node: (row.frames_received, row.frames_lost) for node, row in own.iterrows()} == lost
        page = (root / "results" / "report" / f"{name}.html").read_text(encoding="utf-8")
        assert "frames carry no samples" in page
    assert (root / "results" / "report" / "index.html").is_file()


@needs_open_data
def test_two_open_captures_without_their_samples(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With ticks, without; with host marks, with a written start, with neither; ten nodes, and one."""
    multihop = {ticks: link_only(open_captures.multihop(radio(MULTIHOP), ticks)) for ticks in TICKS}
    sub_ghz = open_captures.sub_ghz(radio(SUB_GHZ))[0]
    recordings = {
        "made": multihop["made"],
        "marked": marked(multihop["made"]),
        "hop": multihop["last_hop"],
        "none": multihop["none"],
        "untimed": multihop["none"],
        "one": replace(multihop["made"], log=[each for each in multihop["made"].log if each.address == 9]),
        "site1": link_only(sub_ghz["site1"]),
        "together": link_only(sub_ghz["together"]),
    }
    root = write_study(tmp_path / "study", recordings)
    without_start(root, "untimed")
    assert_finished(root, recordings)
    for command in (
        *(["audit", name] for name in recordings),
        ["audit", "--all"],
        ["export", "csv"],
        ["verify"],
        ["release", str(tmp_path / "copy")],
    ):
        done = nodeday(root, *command)
        assert done.returncode == GOOD, done.stderr
    assert main(["view", "one", "--no-browser", "--study", str(root)]) == CONTRACT
    assert "no frame of session one carries samples" in capsys.readouterr().err


@pytest.mark.parametrize("ticks_hz", [None, 100.0], ids=["no ticks", "ticks"])
def test_a_session_without_any_time(tmp_path: Path, ticks_hz: float | None) -> None:
    """Neither a mark nor a written start: hours are the hub's, and no table holds a UTC."""
    log = [replace(one, ticks=round(100 * one.made_s)) for one in log_of((5, 6))]
    recording = Recording(Wire(1.0, ticks_hz=ticks_hz, link_only=LINK), log)
    root = write_study(tmp_path / "study", {"S1": recording})
    without_start(root, "S1")
    assert_finished(root, {"S1": recording})
    row = table(root, "sessions").iloc[0]
    assert pd.isna(row["start_ns"])
    assert pd.isna(row["end_ns"])
    assert row["hours"] == pytest.approx(199 / 3600)
    for each in ("clock", "phases"):
        assert table(root, each, "S1" if each == "clock" else None).empty
    assert "nothing tells when that was" in (root / "results/report/S1.html").read_text(encoding="utf-8")
    methods = (root / "results" / "methods.md").read_text(encoding="utf-8")
    assert "In 1 sessions no clock led to UTC" in methods


def test_samples_without_any_time_stop_their_session_alone(tmp_path: Path) -> None:
    with_samples = Recording(Wire(1.0), log_of())
    link = Recording(Wire(1.0, link_only=LINK), log_of())
    root = write_study(tmp_path / "study", {"S1": with_samples, "S2": link})
    without_start(root, "S1")
    done = nodeday(root, "run")
    assert done.returncode == CONTRACT
    assert "session S1 stopped: session S1, run 0 of the hub: no host mark ties" in done.stderr
    assert list(table(root, "sessions")["session"]) == ["S2"]
    assert "S1" in (root / "results" / "report" / "index.html").read_text(encoding="utf-8")


def test_one_stream_of_samples_among_others(tmp_path: Path) -> None:
    """Node 6 sends counters alone, in a layout that has samples: nobody knows whether it should send any."""
    wire = Wire(1.0, 1.0, fast=frozenset({6}), link_only=("fast",))
    root = write_study(tmp_path / "study", {"S1": Recording(wire, log_of((5, 6)))})
    assert nodeday(root, "run", "--cores", "2").returncode == GOOD
    rows = table(root, "sessions").set_index("node")
    assert rows.loc["n5", "coverage"] == pytest.approx(197 / 200, abs=1e-4)
    assert pd.isna(rows.loc["n6", "coverage"])
    assert list(rows["coverage_reason"].astype(object).fillna("")) == ["", "none_with_samples"]
    assert list(rows["frames_received"]) == [197, 197]
    assert "n6" in (root / "results" / "report" / "S1.html").read_text(encoding="utf-8")


def test_the_tables_of_a_link_are_declared(tmp_path: Path) -> None:
    """Empty tables hold every column of their schema."""
    root = write_study(tmp_path / "study", {"S1": Recording(Wire(1.0, link_only=LINK), log_of())})
    assert nodeday(root, "run", "--cores", "2").returncode == GOOD
    for name in WITHOUT_ROWS:
        assert list(table(root, name, "S1").columns) == TABLES[name].names
    assert set(frames.table(Study(root).results, "S1")["samples"]) == {0}
