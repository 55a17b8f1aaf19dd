"""`nodeday audit`: its sentence, its limits, and that a table altered by hand does not pass."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from conftest import put, simulated, store_frames, stored
from nodeday.schemas import TABLES
from nodeday.schemas.codes import GAP_CAUSE

from nodeday.cli.main import main
from nodeday.core import errors
from nodeday.products.audit import checks, describe
from nodeday.storage import tables

S = "S01-clean"
SCENARIO = """
seed: 11
sessions:
  S01-clean:
    start: 2026-07-14T05:00:00Z
    phases: [{phase: rest, minutes: 4, bpm: 64}, {phase: harvest, minutes: 4, bpm: 100, gait: 0.6}]
    channel: {loss: 0.08, burst: 4, duplicates: 0.01, corrupt: 0.01}
    restarts: [{node: wrist, at_min: 5, silent_s: 5}]
    outages: [{at_min: 2, minutes: 0.5}]
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated session, decoded and accounted for."""
    folder = simulated(tmp_path_factory.mktemp("audit") / "study", SCENARIO)
    for stage in ("frames", "loss"):
        assert main(["stage", stage, S, "--study", str(folder)]) == errors.GOOD
    return folder


@pytest.fixture
def study(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "study"))


def audit(folder: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str]:
    capsys.readouterr()
    code = main(["audit", S, "--study", str(folder), *more])
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return code, out + err


def limit(folder: Path, line: str) -> None:
    target = folder / "config" / "study.yaml"
    target.write_text(target.read_text() + f"  {line}\n")


def table(folder: Path, name: str) -> pd.DataFrame:
    return stored(folder / "results", name, S)


def store(folder: Path, name: str, frame: pd.DataFrame) -> None:
    if name == "frames":
        return store_frames(folder / "results", S, frame)
    tables.write(tables.path(folder / "results", name, S), TABLES[name], frame.reset_index(drop=True))


def test_every_node_has_its_sentence(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, text = audit(made, capsys)
    assert code == errors.GOOD
    heart = next(line for line in text.splitlines() if line.startswith("heart: "))
    assert " % received, bursts of " in heart
    assert "longest hole 30 s; of what is missing radio " in heart
    assert "1 gap of unknown length (node restart)" in text
    assert "The tables agree with the frames. No stated limit is broken." in text
    assert "0 is not none" in text
    for node in ("trunk", "wrist", "ankle", "skin", "hub"):
        assert node in text


def test_json_holds_the_same_findings(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, text = audit(made, capsys, "--json")
    found = json.loads(text)
    assert code == errors.GOOD
    assert found["good"]
    rows = {row["node"]: row for row in found["streams"]}
    assert rows["heart"]["expected"] == rows["heart"]["received"] + sum(
        rows["heart"][f"lost_{cause}"] for cause in GAP_CAUSE
    )
    assert rows["hub"]["burst_density"] is None  # what is not there is null, never NaN
    assert "NaN" not in text
    assert found["bad_checksums"] == int((table(made, "rejects")["reason"] == "bad_checksum").sum()) > 0


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("max_loss: 0.05", "max_loss: heart/ecg lost "),
        ("max_gap_s: 20", "max_gap_s: the longest hole of heart/ecg is 30 s; the limit is 20 s"),
        ("max_unknown_gaps: 0", "max_unknown_gaps: wrist/acc has 1 gaps of unknown length; the limit is 0"),
    ],
)
def test_a_broken_limit_is_named(
    study: Path, capsys: pytest.CaptureFixture[str], line: str, sentence: str
) -> None:
    limit(study, line)
    code, text = audit(study, capsys)
    assert code == errors.CONTRACT
    assert sentence in text
    assert "The tables agree with the frames." in text
    code, text = audit(study, capsys, "--json")
    assert code == errors.CONTRACT
    assert any(each.startswith(sentence) for each in json.loads(text)["broken"])


def test_limits_that_are_met_break_nothing(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for line in ("max_loss: 0.5", "max_gap_s: 60", "max_unknown_gaps: 1", "max_conflicts: 0"):
        limit(study, line)
    assert audit(study, capsys)[0] == errors.GOOD


def test_conflicting_copies_are_counted_and_named(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    frames = table(study, "frames")
    row = int(np.flatnonzero(frames["status"] == "duplicate")[0])
    store(study, "frames", put(frames, "status", "conflict", row))
    assert main(["stage", "loss", S, "--study", str(study)]) == errors.GOOD
    limit(study, "max_conflicts: 0")
    code, text = audit(study, capsys)
    assert code == errors.CONTRACT
    at = frames.iloc[row]
    assert f"max_conflicts: {at['node']}/{at['stream']} has 1 conflicting copies; the limit is 0" in text
    assert (
        f"{at['node']}/{at['stream']} boot {at['boot']} frame {at['seq']}: other content in capture 0 at byte"
        in text
    )
    assert "1 conflicting copy" in text


@pytest.mark.parametrize(
    ("name", "column", "value", "sentence"),
    [
        ("gaps", "cause", "hub_outage", "gaps: cause of node ankle, stream acc, boot 0, seq_from "),
        ("loss", "lost_radio", 99, "loss: lost of ankle/acc are "),
        ("radio", "received", 5, "radio: received of ankle/acc are 5, counting the frames gives "),
        ("radio", "p", 0.5, "radio: p of node ankle, stream acc is 0.5, the frames give 0."),
        ("bursts", "count", 77, "bursts: count of node ankle, stream acc, length 1 is 77, the frames give "),
        ("signal", "lost", 1234, "signal: lost of node ankle, stream acc, measure rssi_dbm, low "),
    ],
)
def test_a_table_altered_by_hand_is_noticed(
    study: Path, capsys: pytest.CaptureFixture[str], name: str, column: str, value: object, sentence: str
) -> None:
    frame = table(study, name)
    store(study, name, put(frame, column, value, row=0))
    code, text = audit(study, capsys)
    assert code == errors.CONTRACT
    assert "Tables that do not follow from the frames:" in text
    assert sentence in text


def test_a_row_taken_away_or_invented_is_noticed(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    gaps = table(study, "gaps")
    store(study, "gaps", put(gaps.iloc[1:].reset_index(drop=True), "seq_from", 1_000_000_000, row=0))
    code, text = audit(study, capsys)
    assert code == errors.CONTRACT
    assert "seq_from 1000000000 does not follow from the frames" in text
    assert (
        f"gaps: the row of node ankle, stream acc, boot 0, seq_from {gaps['seq_from'].iloc[0]} is missing"
        in text
    )
    assert "gaps: lost of ankle/acc are " in text


def test_frames_taken_away_after_the_account_are_noticed(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    frames = table(study, "frames")
    store(study, "frames", frames.drop(index=np.flatnonzero(frames["node"] == "heart")[100]))
    code, text = audit(study, capsys)
    assert code == errors.CONTRACT
    assert "radio: received of heart/ecg are " in text


def test_a_node_that_never_sent_is_reported(study: Path, capsys: pytest.CaptureFixture[str]) -> None:
    frames = table(study, "frames")
    store(study, "frames", frames[frames["node"] != "skin"])
    assert main(["stage", "loss", S, "--study", str(study)]) == errors.GOOD
    limit(study, "max_loss: 0.9")
    code, text = audit(study, capsys)
    assert code == errors.CONTRACT
    assert "skin: no frame received" in text
    assert "max_loss: nothing of skin arrived; the limit is 90.0 %" in text


def test_an_absent_table_and_an_unknown_session_are_one_sentence(
    study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tables.path(study / "results", "radio", S).unlink()
    code, text = audit(study, capsys)
    assert code == errors.CONTRACT
    assert len(text.strip().splitlines()) == 1
    assert "expected a table that an earlier stage wrote" in text
    capsys.readouterr()
    assert main(["audit", "S01-claen", "--study", str(study)]) == errors.USAGE
    assert "did you mean S01-clean?" in capsys.readouterr().err


def radio(**counts: float) -> pd.DataFrame:
    row = {
        "expected": 1000,
        "received": 1000,
        "runs": 0,
        "mean_run_frames": np.nan,
        "longest_gap_s": 0.0,
        "conflicts": 0,
        **{f"lost_{cause}": 0 for cause in GAP_CAUSE},
    } | counts
    return pd.DataFrame([row])


def gaps(*causes: str) -> pd.DataFrame:
    return pd.DataFrame(
        {"node": ["heart"] * len(causes), "extent": ["unknown"] * len(causes), "cause": list(causes)}
    )


@pytest.mark.parametrize(
    ("rows", "unknown", "sentence"),
    [
        (
            radio(received=918, lost_radio=82, runs=39, mean_run_frames=2.1, longest_gap_s=2.4),
            gaps(),
            "91.8 % received, bursts of 2.1 frames on average, longest hole 2.4 s; radio explains all of it",
        ),
        (radio(), gaps(), "100 % received; nothing is missing"),
        (
            radio(received=999, lost_radio=1, runs=1, mean_run_frames=1.0, longest_gap_s=0.08),
            gaps("unknown"),
            "99.9 % received, bursts of 1.0 frame on average, longest hole 0.08 s; radio explains all that "
            "can be counted; 1 gap of unknown length (unknown)",
        ),
        (
            radio(longest_gap_s=1620.0),
            gaps("end_of_battery"),
            "100 % received, longest hole 27 min; 1 gap of unknown length (end of battery)",
        ),
        (
            radio(received=990, lost_unknown=10, longest_gap_s=0.8),
            gaps(),
            "99.0 % received, longest hole 0.8 s; nothing tells why",
        ),
        (
            radio(
                received=900,
                lost_radio=25,
                lost_hub_outage=75,
                runs=10,
                mean_run_frames=2.5,
                longest_gap_s=6.0,
                conflicts=2,
            ),
            gaps(),
            "90.0 % received, bursts of 2.5 frames on average, longest hole 6 s; of what is missing radio 25 "
            "%, hub outage 75 %; 2 conflicting copies",
        ),
        (radio(expected=0, received=0), gaps(), "no frame received"),
    ],
)
def test_sentences(rows: pd.DataFrame, unknown: pd.DataFrame, sentence: str) -> None:
    assert describe.verdict("heart", rows, unknown) == f"heart: {sentence}"


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (9.96, "10 s"), (59.4, "59 s"), (3599, "1 h"), (5400, "1 h 30 min")]
)
def test_durations(seconds: float, text: str) -> None:
    assert describe.duration(seconds) == text


@pytest.mark.parametrize(
    ("boots", "count"), [([0, 0, 1, 1, 2, 2], 0), ([0, 0, 1, 0, 1, 1], 0), ([0, 1] * 10, 9)]
)
def test_an_address_that_two_senders_share(boots: list[int], count: int) -> None:
    """A node that restarts leaves a boot for good; a stored frame of an earlier boot may follow."""
    rows = pd.DataFrame({"node": "heart", "stream": "ecg", "boot": boots})
    found = checks.shared_addresses(rows)
    assert len(found) == bool(count)
    assert not count or found[0].startswith(f"heart: frames of 2 boots come in turn, {count} times")
