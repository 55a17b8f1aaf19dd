"""`nodeday audit`: its sentence, its limits, and that a table altered by hand does not pass."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml
from conftest import put, simulated, store_frames, stored, without_records
from nodeday.schemas import TABLES
from nodeday.schemas.codes import GAP_CAUSE

from nodeday.cli.main import main
from nodeday.core import errors
from nodeday.layouts import Layout, encode_frames
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
    return without_records(made, tmp_path / "study")


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
    assert " %, bursts of " in heart
    assert "longest hole 30 s; of the frames lost: radio " in heart
    assert "1 gap whose frames cannot be counted (node restart)" in text
    assert "The tables agree with the frames." in text
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
        ("max_loss: 0.05", "max_loss: frame loss of heart/ecg is "),
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
    assert "max_loss: nothing of skin arrived; the limit is 90 %" in text


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
            "frame loss 8.2 %, bursts of 2.1 frames on average, longest hole 2.4 s; of the frames "
            "lost: radio 100 %",
        ),
        (radio(), gaps(), "frame loss 0 %; no frame that can be counted is lost"),
        (
            radio(received=999, lost_radio=1, runs=1, mean_run_frames=1.0, longest_gap_s=0.08),
            gaps("unknown"),
            "frame loss 0.1 %, bursts of 1.0 frame on average, longest hole 0.08 s; of the frames "
            "lost: radio 100 %; 1 gap whose frames cannot be counted (unknown)",
        ),
        (
            radio(longest_gap_s=1620.0),
            gaps("end_of_battery"),
            "frame loss 0 %, longest hole 27 min; no frame that can be counted is lost; 1 gap whose frames "
            "cannot be counted (end of battery)",
        ),
        (
            radio(received=990, lost_unknown=10, longest_gap_s=0.8),
            gaps(),
            "frame loss 1.0 %, longest hole 0.8 s; nothing tells why frames were lost",
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
            "frame loss 10.0 %, bursts of 2.5 frames on average, longest hole 6 s; of the frames lost: radio "
            "25 %, hub outage 75 %; 2 conflicting copies",
        ),
        (radio(expected=0, received=0), gaps(), "no frame received"),
    ],
)
def test_sentences(rows: pd.DataFrame, unknown: pd.DataFrame, sentence: str) -> None:
    assert describe.verdict("heart", rows, unknown) == f"heart: {sentence}"


def test_a_battery_that_died_has_its_share_of_the_session() -> None:
    delivered = describe.Delivered(0.611, {"hub_outage": 0.067, "end_of_battery": 0.3, "radio": 0.0})
    rows = radio(received=873, lost_hub_outage=127, longest_gap_s=1620.0)
    assert describe.verdict("ankle", rows, gaps("end_of_battery").assign(node="ankle"), delivered) == (
        "ankle: coverage 61.1 %, frame loss 12.7 %, longest hole 27 min; absent of the session: hub outage "
        "6.7 %, end of battery 30.0 %; 1 gap whose frames cannot be counted (end of battery)"
    )


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (9.96, "10 s"), (59.4, "59 s"), (3599, "1 h"), (5400, "1 h 30 min")]
)
def test_durations(seconds: float, text: str) -> None:
    assert describe.duration(seconds) == text


def test_an_address_that_two_senders_share() -> None:
    streams = pd.DataFrame({"node": ["heart", "trunk", "trunk"], "boot_returns": [3, 0, 9]})
    found = checks.shared_addresses(streams)
    assert len(found) == 1
    assert found[0].startswith("trunk: its frames go back to an earlier boot 9 times")


# --- who was refused, and the verdict ---------------------------------------------------------------


def rows_of(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines()]


def test_frames_of_an_address_that_nobody_listed(
    made: Path, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A node struck from the sheet is named by its address, with as many frames as it had."""
    all_frames = table(made, "frames")
    count = int((all_frames["node"] == "skin").sum())
    sheet = study / "config" / "nodes.tsv"
    lines = [line for line in sheet.read_text().splitlines() if "skin" not in line]
    sheet.write_text("\n".join(lines) + "\n")
    for stage in ("frames", "loss"):
        assert main(["stage", stage, S, "--study", str(study)]) == errors.GOOD
    refused = table(study, "rejects")
    known = refused[refused["reason"] == "unknown_node"]
    assert known["address"].tolist() == [20] * count
    assert refused.loc[refused["reason"].isin(["junk", "bad_checksum"]), "address"].isna().all()
    _, text = audit(study, capsys)
    assert f"address 20: {count:,} frames, not in config/nodes.tsv" in rows_of(text)
    assert f"unknown_node {count:,} (" in text
    states = table(study, "frames")["status"].value_counts()
    for status in ("good", "late", "conflict", "unplaced", "inconsistent"):
        assert f"{status} {int(states.get(status, 0)):,}" in text
    found = json.loads(audit(study, capsys, "--json")[1])
    assert found["unknown_addresses"] == {"20": count}
    assert found["rejects"]["unknown_node"] == count
    assert found["frames"]["late"] == int(states.get("late", 0))


@pytest.fixture(scope="module")
def judged(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A session whose study asks for more hours than it has."""
    folder = Path(shutil.copytree(made, tmp_path_factory.mktemp("judged") / "study"))
    text = (folder / "config" / "study.yaml").read_text()
    (folder / "config" / "study.yaml").write_text(text.replace("min_hours: ", "min_hours: 5  # "))
    for stage in ("clock", "repair", "features"):
        assert main(["stage", stage, S, "--study", str(folder)]) == errors.GOOD
    assert main(["stage", "study", S, "--study", str(folder)]) == errors.GOOD
    return folder


def test_the_audit_ends_with_the_verdict(judged: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, text = audit(judged, capsys)
    *_, last, not_met = rows_of(text)
    assert last.startswith(f"Verdict of {S}: ")
    assert not_met.startswith("not met: min_hours: the session has 0.1")
    found = json.loads(audit(judged, capsys, "--json")[1])
    assert found["rules_not_met"][0].endswith("the study asks for 5 h")
    assert found["verdict"].split(":")[0] in ("usable", "limited", "unusable")


def test_without_the_rules_applied_there_is_no_verdict(
    made: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert rows_of(audit(made, capsys)[1])[-1] == (
        f"Verdict of {S}: none yet; the study's rules were not applied (stage study)."
    )


# --- logs that are odd ------------------------------------------------------------------------------


def link_study(folder: Path, rssi: str) -> Path:
    """A study of a link alone: frames of counters, every 20th lost, RSSI as the field ``rssi`` says."""
    lines = ["layout: link", "sync: A5 5A", "frame:"]
    lines += [
        f"  - {{name: {line}}}"
        for line in (
            "address, role: node, bits: 8",
            "counter, role: sequence, bits: 16",
            "payload, role: payload",
            "sum, role: checksum, bits: 16, crc: CRC-16/IBM-3740, over: [address, payload]",
            "hub, role: hub_time, bits: 32, unit_ns: 1000000",
            f"rssi, role: rssi, bits: 8{rssi}",
        )
    ]
    lines += ["kinds:", "  - {kind: 1, stream: link, every_s: 0.5}"]
    layout = Layout.model_validate(yaml.safe_load("\n".join(lines)))
    seq = np.arange(2000)[np.arange(2000) % 20 != 7]
    fields = {"node": 5, "sequence": seq, "hub_time": 1000 + 500 * seq, "rssi": np.where(seq == 9, 127, -60)}
    for name in ("config/layouts", "captures"):
        (folder / name).mkdir(parents=True)
    (folder / "captures/L1.bin").write_bytes(encode_frames(layout, layout.kinds[0], fields).tobytes())
    for name, text in {
        "layouts/link.yaml": "\n".join(lines) + "\n",
        "study.yaml": "study: link\n",
        "participants.tsv": "participant\nP1\n",
        "sessions.tsv": "session\tparticipant\tcaptures\tlayout\nL1\tP1\tcaptures/L1.bin\tlink\n",
        "nodes.tsv": "session\tnode\taddress\tplacement\nL1\tpost\t5\twall\n",
    }.items():
        (folder / "config" / name).write_text(text)
    return folder


def test_a_log_of_a_link_alone_is_audited(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = link_study(tmp_path / "link", ", signed: true")
    for stage in ("frames", "loss"):
        assert main(["stage", stage, "L1", "--study", str(folder)]) == errors.GOOD
    capsys.readouterr()
    assert main(["audit", "L1", "--study", str(folder)]) == errors.GOOD
    text = capsys.readouterr().out
    assert "frame loss 5.0 %, bursts of 1.0 frame on average" in text
    rssi = stored(folder / "results", "frames", "L1")["rssi_dbm"]
    assert rssi.isna().sum() == 1  # 127 dBm, which nothing measured
    assert set(rssi.dropna()) == {-60.0}


def test_an_rssi_without_sign_is_a_sentence_about_the_layout(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = link_study(tmp_path / "link", "")
    assert main(["stage", "frames", "L1", "--study", str(folder)]) == errors.CONTRACT
    assert capsys.readouterr().err == (
        "nodeday: session L1, layout link: 1900 of 1900 values of rssi are outside -200 to 50 dBm. "
        "Give its rssi field a scale, an offset or a sign, or the role other.\n"
    )
