"""A transmit list as truth: what was lost at the edges of boots, and lists that do not fit."""

from __future__ import annotations

import gzip
import json
import os
from dataclasses import replace
from itertools import groupby
from pathlib import Path

import numpy as np
import open_captures
import pandas as pd
import pytest
import sent_lists
from captures import START, Logged, Mark, Recording, Wire, write_study
from sent_lists import Sent, instant
from test_captures import COUNTING, SUB_GHZ, radio

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import CONTRACT, GOOD, USAGE
from nodeday.products.audit.session import audit
from nodeday.stages.loss import sent_search
from nodeday.stages.report.facts import read_session
from nodeday.storage import tables

needs_open_data = pytest.mark.skipif(
    not os.environ.get("NODEDAY_OPEN_DATA"), reason="NODEDAY_OPEN_DATA is not set"
)


def table(root: Path, name: str) -> pd.DataFrame:
    return tables.read(tables.path(Study(root).results, name, "S1"), name)


def counted(root: Path, *stages: str) -> None:
    """Run the stages that count."""
    for stage in stages or COUNTING:
        assert main(["stage", stage, "S1", "--study", str(root)]) == GOOD, stage


# --- the sub-GHz link ----------------------------------------------------------------------------


def campaigns() -> dict[str, list[Sent]]:
    """The open capture's own list of transmissions, by node, in seconds since each campaign began."""
    with gzip.open(radio(SUB_GHZ), "rt") as file:
        packets = [campaign["packets"] for campaign in json.load(file)["campaigns"]]
    found = {}
    for site, sent in enumerate(packets, 1):
        begin_s = int(sent[0]["tx"]["timestamp"])
        found[f"n{site}"] = [
            Sent(f"n{site}", int(one["tx"]["data"], 16), one["tx"]["timestamp"] - begin_s, "rx" in one)
            for one in sent
        ]
    return found


@needs_open_data
@pytest.mark.parametrize("session", ["site1", "site2", "site3", "site4", "together"])
def test_received_and_lost_are_what_was_sent(
    tmp_path: Path, session: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Leading and trailing losses count too, in the counts and in the figures of bursts."""
    recording = open_captures.sub_ghz(radio(SUB_GHZ))[0][session]
    sent = {node: rows for node, rows in campaigns().items() if session in ("together", f"site{node[1:]}")}
    root = write_study(tmp_path / "study", {"S1": recording})
    sent_lists.write(root, "S1", [one for rows in sent.values() for one in rows])
    counted(root)
    told, statistics, gaps = (table(root, name) for name in ("sent", "radio", "gaps"))
    told, statistics = (each.astype({"node": str}).set_index("node") for each in (told, statistics))
    assert list(told.index) == list(sent)
    for node, rows in sent.items():
        arrived = [one.arrived for one in rows]
        first, last = arrived.index(True), len(arrived) - 1 - arrived[::-1].index(True)
        row = told.loc[node]
        edges = first, len(arrived) - 1 - last
        assert tuple(row[["sent", "received", "lost"]]) == (len(rows), sum(arrived), arrived.count(False))
        assert tuple(row[["lost_leading", "lost_trailing"]]) == edges
        assert (row["lost_by_counter"], row["not_listed"]) == (arrived.count(False) - sum(edges), 0)
        counts = statistics.loc[node]
        assert (counts["expected"], counts["received"]) == (len(rows), sum(arrived))
        assert (counts["lost_radio"], counts["lost_listed"]) == (row["lost_by_counter"], sum(edges))
        figures = counts[["mean_run_frames", "burst_ratio", "p", "r"]].astype(float)
        assert tuple(figures) == pytest.approx(sent_lists.statistics(arrived), rel=1e-12)
        runs = [len(list(part)) for came, part in groupby(arrived) if not came]
        assert counts["runs"] == len(runs)
        assert counts["longest_run_frames"] == max(runs)
        own = gaps[gaps["node"] == node]
        assert own["frames"].sum() == arrived.count(False)
    assert main(["audit", "S1", "--study", str(root)]) == GOOD
    said = capsys.readouterr().out
    assert "Contradictions" not in said
    assert all(
        f"  {node}/level: {len(rows)} sent, {sum(one.arrived for one in rows)} received" in said
        for node, rows in sent.items()
    )


# --- histories made by hand ----------------------------------------------------------------------


def history(
    kept: set[int], boots: tuple[int, ...] = (), modulus: int = 1 << 16, first: int = 100
) -> tuple[Recording, list[Sent]]:
    """A node sends a frame a second for 300 s; it restarts before each of ``boots`` and counts from 0."""
    sent, log, counter, boot = [], [], first, 0
    for at in range(300):
        if at in boots:
            counter, boot = 0, boot + 1
        sent.append(Sent("n5", counter % modulus, float(at), at in kept))
        if at in kept:
            began = max([0, *(each for each in boots if each <= at)])
            log.append(Logged(5, boot, counter, 1000 * (at - began), at, 500.0 + at, float(at), boot_id=boot))
        counter += 1
    bits = modulus.bit_length() - 1
    return Recording(Wire(1.0, ticks_hz=1000.0, boot=True, counter_bits=bits), log), sent


def study_of(folder: Path, recording: Recording, sent: list[Sent]) -> Path:
    root = write_study(folder / "study", {"S1": recording})
    sent_lists.write(root, "S1", sent)
    return root


def test_the_session_lasts_as_long_as_its_list(tmp_path: Path) -> None:
    """Of 300 frames, one a second, the first 20 and the last 30 were lost, and 2 between them."""
    recording, sent = history(set(range(20, 270)) - {100, 101})
    utc_ms = round(START.timestamp()) * 1000
    marks = [Mark(500.0 + at, utc_ms + 1000 * at, at // 10) for at in range(0, 300, 10)]
    root = study_of(tmp_path, replace(recording, marks=marks), sent)
    counted(root, *COUNTING, "repair", "features", "study", "report")
    rows = tables.read(tables.path(Study(root).results, "sessions"), "sessions")
    assert rows["hours"].iloc[0] == pytest.approx(300 / 3600, abs=0.01 / 3600)
    assert rows["coverage"].iloc[0] == pytest.approx(248 / 300, abs=1e-4)
    (stream,) = read_session(Study(root), "S1").streams
    assert (stream.end_ns - stream.start_ns).sum() / 1e9 == pytest.approx(52, abs=0.05)


@pytest.mark.parametrize("modulus", [1 << 16, 1 << 8, 1 << 4])
def test_restarts_and_counters_that_wrap(tmp_path: Path, modulus: int) -> None:
    """Three boots; frames are lost at both sides of each restart, and at both ends::

    sent       0 ....... 100 ........ 183 ...... 299
    received     10..90     110..170     195..290
    """
    kept = set(range(10, 91)) | set(range(110, 171)) | set(range(195, 291))
    recording, sent = history(kept - {50, 51, 130}, (100, 183), modulus)
    root = study_of(tmp_path, recording, sent)
    counted(root)
    row = table(root, "sent").iloc[0]
    assert tuple(row[["sent", "received", "lost"]]) == (300, len(kept) - 3, 300 - len(kept) + 3)
    assert tuple(row[["lost_leading", "lost_trailing", "lost_by_counter"]]) == (10 + 10 + 12, 9 + 12 + 9, 3)
    gaps = table(root, "gaps")
    assert (gaps["extent"] == "known").all()
    listed = gaps[gaps["cause"] == "listed"]
    assert listed["boot"].tolist() == [0, 0, 1, 1, 2, 2]
    assert listed["frames"].tolist() == [10, 9, 10, 12, 12, 9]
    assert listed["before_hub_ns"].isna().tolist() == [True] + [False] * 5
    assert listed["after_hub_ns"].isna().tolist() == [False] * 5 + [True]
    loss = table(root, "loss")
    assert loss["lost_listed"].sum() == 10 + 9 + 10 + 12 + 12 + 9
    assert loss["longest_gap_frames"].max() == 12
    assert table(root, "radio")["unknown_gaps"].sum() == 0
    counted(root, "clock", "repair")
    assert main(["audit", "S1", "--study", str(root)]) == GOOD


def test_a_boot_of_which_nothing_came_is_lost_as_well(tmp_path: Path) -> None:
    """It stands behind the boot before it, since no frame tells its number."""
    recording, sent = history(set(range(20, 90)) | set(range(200, 300)), (100, 180))
    root = study_of(tmp_path, recording, sent)
    counted(root)
    row = table(root, "sent").iloc[0]
    assert tuple(row[["lost_leading", "lost_trailing"]]) == (20 + 20, 10 + 80)


def test_a_node_that_restarts_at_once_counts_from_0_twice(tmp_path: Path) -> None:
    """The boot of one frame has the counter 0, and so has the first frame of the next one."""
    recording, sent = history(set(range(300)) - {120}, (100, 101))
    root = study_of(tmp_path, recording, sent)
    counted(root)
    row = table(root, "sent").iloc[0]
    assert tuple(row[["received", "lost", "lost_by_counter", "not_listed"]]) == (299, 1, 1, 0)


def test_nothing_lost_leaves_no_gap_at_a_restart(tmp_path: Path) -> None:
    """Without the list the restart is a gap of unknown length."""
    recording, sent = history(set(range(300)), (100,))
    root = write_study(tmp_path / "study", {"S1": recording})
    counted(root)
    assert table(root, "gaps")["cause"].tolist() == ["node_restart"]
    assert table(root, "sent").empty
    sent_lists.write(root, "S1", sent)
    counted(root, "loss")
    assert table(root, "gaps").empty


def test_a_silence_of_the_hub_takes_its_part_of_the_list(tmp_path: Path) -> None:
    """The hub's own marks, half a second behind the node's frames, stop while it is off."""
    recording, sent = history(set(range(100)) | set(range(160, 240)))
    off = range(110, 150)
    utc_ms = round(START.timestamp()) * 1000
    marks = [Mark(500.5 + at, utc_ms + 1000 * at + 500, at) for at in range(300) if at not in off]
    wire = replace(recording.wire, mark_every_s=1.0)
    root = study_of(tmp_path, replace(recording, wire=wire, marks=marks), sent)
    counted(root)
    causes = table(root, "radio").query("node == 'n5'").iloc[0]
    assert (causes["lost_hub_outage"], causes["lost_radio"], causes["lost_listed"]) == (41, 19, 60)


@pytest.mark.parametrize("modulus", [1 << 16, 1 << 8, 1 << 4])
@pytest.mark.parametrize("lacking", [[150], [150, 151, 152, 153], [3, 60, 150, 151, 299], [0, 1, 2]])
def test_rows_that_the_list_lacks_are_contradictions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], lacking: list[int], modulus: int
) -> None:
    """No frame that was received is called lost, and each that the list lacks is named."""
    lost = {20, 21, 200, 290}
    recording, sent = history(set(range(300)) - lost, modulus=modulus)
    root = study_of(tmp_path, recording, [one for one in sent if round(one.at_s) not in lacking])
    counted(root)
    row = table(root, "sent").iloc[0]
    assert tuple(row[["received", "lost", "not_listed"]]) == (296 - len(lacking), 4, len(lacking))
    assert tuple(row[["lost_leading", "lost_trailing", "lost_by_counter"]]) == (0, 0, 4)
    assert main(["audit", "S1", "--study", str(root)]) == CONTRACT
    said = capsys.readouterr().out
    assert "Contradictions of the transmit list and the frames:" in said
    for at in lacking:
        name = f"n5/level boot 0 frame {at + 100 % modulus}, counter {(at + 100) % modulus}"
        assert f"{name}: received, and not on the list at its place" in said


def test_rows_too_many_are_a_contradiction(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A row that no counter leads to is lost by the list, and not by the counter."""
    recording, sent = history(set(range(300)))
    sent.insert(150, replace(sent[150], counter=60_000, at_s=149.5))
    root = study_of(tmp_path, recording, sent)
    counted(root)
    assert tuple(table(root, "sent").iloc[0][["received", "lost", "not_listed"]]) == (300, 1, 0)
    assert main(["audit", "S1", "--study", str(root)]) == CONTRACT
    said = capsys.readouterr().out
    assert "n5/level: between received frames of a boot the list has 1 lost, the counter 0" in said


def test_streams_that_list_and_capture_do_not_share(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """n6 was received and is not listed; n7 is listed and was not received."""
    recording, sent = history(set(range(300)))
    other = [replace(one, address=6) for one in recording.log]
    recording = replace(recording, log=sorted(recording.log + other, key=lambda one: one.hub_s))
    root = write_study(tmp_path / "study", {"S1": recording})
    nodes = root / "config" / "nodes.tsv"
    nodes.write_text(nodes.read_text() + "S1\tn7\t7\tarm\n")
    sent_lists.write(root, "S1", [*sent, *(replace(one, node="n7") for one in sent)], "level")
    counted(root)
    rows = table(root, "sent").set_index("node")
    assert tuple(rows.loc["n7", ["sent", "received", "lost"]]) == (300, 0, 300)
    assert main(["audit", "S1", "--study", str(root)]) == CONTRACT
    said = capsys.readouterr().out
    assert "n7/level: 300 sent, 0 received, 300 lost by the list" in said
    assert "n6/level: 300 frames received, none of it on the list" in said


def test_an_audit_matches_a_list_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recording, sent = history(set(range(300)))
    root = study_of(tmp_path, recording, [one for one in sent if round(one.at_s) != 150])
    counted(root)
    calls: list[str] = []
    searched = sent_search.RowSearch.pieces
    monkeypatch.setattr(sent_search.RowSearch, "pieces", lambda search: calls.append("x") or searched(search))
    found = audit(Study(root), "S1")
    assert len(calls) == 1
    assert found.contradictions == [
        "n5/level boot 0 frame 250, counter 250: received, and not on the list at its place"
    ]


@pytest.mark.parametrize("column", ["time_s", "time_ms", "time_us", "time_ns"])
def test_times_as_numbers(tmp_path: Path, column: str) -> None:
    recording, sent = history(set(range(5, 290)))
    root = study_of(tmp_path, recording, sent)
    unit = {"time_s": 1, "time_ms": 10**3, "time_us": 10**6, "time_ns": 10**9}[column]
    begin = round(START.timestamp())
    lines = [f"{one.node},{one.counter},{(begin + round(one.at_s)) * unit}" for one in sent]
    path = root / "config" / "sent" / "S1.csv"
    path.write_text("\n".join([f"node,counter,{column}", *lines]) + "\n")
    counted(root)
    assert tuple(table(root, "sent").iloc[0][["lost_leading", "lost_trailing"]]) == (5, 10)


ROWS = ["n5,100,2026-03-02T08:00:00Z", "n5,101,2026-03-02T08:00:01Z", "n5,102,2026-03-02T08:00:02Z"]


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        (
            ["node,count,time", *ROWS],
            "line 1: columns are node, count, time; expected node, counter, one of time",
        ),
        (
            ["node,counter,time", ROWS[0], ROWS[1].replace("n5", "n9")],
            "line 3: node is 'n9'; expected a node of the session: n5",
        ),
        (
            ["node,counter,time", ROWS[0].replace("100", "70000")],
            "line 2: counter 70000 of n5; expected 0 to 65535",
        ),
        (["node,counter,time", ROWS[0], ROWS[0]], "line 3: counter 100 of n5 is there twice at one time"),
        (["node,counter,time", ROWS[1], ROWS[0]], "line 3: the time falls at counter 100 of n5"),
        (
            ["node,counter,time", ROWS[0], "n5,x,2026-03-02T08:00:02Z"],
            "line 3: counter is 'x'; expected a whole number",
        ),
        (
            ["node,counter,time", ROWS[0].removesuffix("Z")],
            "line 2: time is '2026-03-02T08:00:00'; expected an instant",
        ),
        (
            ["node,counter,time_s", "n5,100,1772438400000"],
            "line 2: time_s is '1772438400000', past the year 2200",
        ),
        (
            ["node,counter,time,stream", ROWS[0] + ",lvl"],
            "line 2: stream is 'lvl', none of node n5 (did you mean level?)",
        ),
        (["node,counter,time", ROWS[0] + ",1"], "cannot be read"),
    ],
)
def test_a_list_that_cannot_be_is_refused_by_check(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], lines: list[str], found: str
) -> None:
    recording, sent = history(set(range(300)))
    root = study_of(tmp_path, recording, sent)
    assert main(["check", "--study", str(root)]) == GOOD
    (root / "config" / "sent" / "S1.csv").write_text("\n".join(lines) + "\n")
    assert main(["check", "--study", str(root)]) == USAGE
    said = capsys.readouterr()
    assert found in " ".join((said.out + said.err).split())


def test_a_list_of_no_session_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording, sent = history(set(range(300)))
    root = study_of(tmp_path, recording, sent)
    sent_lists.write(root, "S2", sent)
    assert main(["check", "--study", str(root)]) == USAGE
    said = capsys.readouterr()
    assert (
        "S2.csv is the transmit list of no session; expected files named by a session" in said.out + said.err
    )


def moved(sent: list[Sent], by_s: float = 0.0, pace: float = 1.0, counter: int = 0) -> list[Sent]:
    return [
        replace(
            one,
            at_s=pace * one.at_s + by_s,
            counter=(7 * one.counter + counter) % 65536 if counter else one.counter,
        )
        for one in sent
    ]


@pytest.mark.parametrize(
    ("how", "marks", "found"),
    [
        ({"counter": 3}, False, "fit"),
        ({"pace": 2.0}, False, "times of n5/level go on by 450 s where the hub's go on by 225 s"),
        ({"by_s": 7200.0}, True, "frames of n5/level came -7200 s after their times by the host's marks"),
    ],
)
def test_a_list_that_does_not_fit_the_frames_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], how: dict[str, float], marks: bool, found: str
) -> None:
    recording, sent = history(set(range(300)))
    utc_ms = round(START.timestamp()) * 1000
    host = [Mark(500.0 + at, utc_ms + 1000 * at, at) for at in range(0, 300, 10)] if marks else []
    root = study_of(tmp_path, replace(recording, marks=host), moved(sent, **how))
    for name, code in (("frames", GOOD), ("clock", GOOD), ("loss", CONTRACT)):
        assert main(["stage", name, "S1", "--study", str(root)]) == code
    said = capsys.readouterr().err
    assert found in said
    assert "S1.csv line 2" in said


def test_counters_that_fit_two_places_are_told_apart_by_marks_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of a 4-bit counter 60 frames fit the list at 16 places; without marks nothing tells which is theirs."""
    recording, sent = history(set(range(100, 160)), modulus=16)
    root = study_of(tmp_path / "without", recording, sent)
    for name, code in (("frames", GOOD), ("clock", GOOD), ("loss", CONTRACT)):
        assert main(["stage", name, "S1", "--study", str(root)]) == code
    assert "counters and times of the list fit 0 of the 60 frames" in capsys.readouterr().err
    utc_ms = round(START.timestamp()) * 1000
    host = [Mark(500.0 + at, utc_ms + 1000 * at, at // 10) for at in range(0, 300, 10)]
    root = study_of(tmp_path / "with", replace(recording, marks=host), sent)
    counted(root)
    assert tuple(table(root, "sent").iloc[0][["lost_leading", "lost_trailing"]]) == (100, 140)


def test_a_long_list_is_matched(tmp_path: Path) -> None:
    """20,000 rows of an 8-bit counter, a tenth of them lost at random, three restarts."""
    rng = np.random.default_rng(4)
    arrived = rng.random(20_000) >= 0.1
    restarts = {5000, 5200, 14_000}
    sent, log, counter, boot, began = [], [], 7, 0, 0
    for at in range(20_000):
        if at in restarts:
            counter, boot, began = 0, boot + 1, at
        sent.append(Sent("n5", counter % 256, at * 0.1, bool(arrived[at])))
        if arrived[at]:
            log.append(
                Logged(5, boot, counter, 100 * (at - began), at, 500 + at * 0.1, at * 0.1, boot_id=boot)
            )
        counter += 1
    recording = Recording(Wire(0.1, ticks_hz=1000.0, boot=True, counter_bits=8), log)
    root = study_of(tmp_path, recording, sent)
    counted(root)
    row = table(root, "sent").iloc[0]
    assert tuple(row[["received", "lost", "not_listed"]]) == (int(arrived.sum()), int((~arrived).sum()), 0)
    assert row["lost"] == row["lost_leading"] + row["lost_trailing"] + row["lost_by_counter"]


@pytest.mark.parametrize("seed", range(12))
def test_any_history_has_its_counts(tmp_path: Path, seed: int) -> None:
    """Restarts, loss and long holes at random, counters of any width, and a list that may lack rows."""
    rng = np.random.default_rng(seed)
    modulus = int(rng.choice([1 << 8, 1 << 16]))
    boots = tuple(sorted(rng.choice(np.arange(20, 280), int(rng.integers(0, 4)), replace=False).tolist()))
    kept = {at for at in range(300) if rng.random() >= rng.choice([0.0, 0.1, 0.3])}
    hole = int(rng.integers(0, 250))
    kept -= set(range(hole, hole + int(rng.integers(0, 50))))
    lacking = set(rng.choice(300, int(rng.choice([0, 0, 4])), replace=False).tolist())
    recording, sent = history(kept, boots, modulus, int(rng.integers(0, modulus)))
    root = study_of(tmp_path, recording, [one for one in sent if round(one.at_s) not in lacking])
    counted(root)
    row = table(root, "sent").iloc[0]
    came = len(kept - lacking)
    assert tuple(row[["received", "lost", "not_listed"]]) == (
        came,
        300 - len(lacking) - came,
        len(kept & lacking),
    )
    if not lacking:
        assert row["lost"] == row["lost_leading"] + row["lost_trailing"] + row["lost_by_counter"]


def test_instants_are_written_as_a_lab_does() -> None:
    assert instant(1.5) == "2026-03-02T08:00:01.500000Z"
