"""Any cell back to bytes: 20 random cells traced, each derived anew from the bytes by hand-written code."""

from __future__ import annotations

import binascii
import json
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from conftest import FINISHED, samples_in, stored
from hypothesis import given
from hypothesis import strategies as st

from nodeday.cli.main import main
from nodeday.core import errors
from nodeday.layouts import Layout, encode_frames, pack_counts
from nodeday.layouts.model import Framing
from nodeday.layouts.stuffing import stuff
from nodeday.products.lineage import capture
from nodeday.products.lineage.signal import SessionTables
from nodeday.stages.frames.containers import FileFacts
from nodeday.storage import tables

CAPTURED, OTHER = FINISHED
ADDRESS = {"hub": 0, "heart": 16, "trunk": 17, "wrist": 18, "ankle": 19, "skin": 20}
Tree = dict[str, Any]


@pytest.fixture
def traced(finished_study: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    """Runs `nodeday trace` and gives its tree."""

    def run(table: str, **key: object) -> Tree:
        words = [f"{name}={value}" for name, value in key.items()]
        code = main(["trace", table, *words, "--json", "--study", str(finished_study)])
        out, err = capsys.readouterr()
        assert code == errors.GOOD, err
        return dict(json.loads(out))

    return run


def walk(tree: Tree) -> Iterator[Tree]:
    yield tree
    for each in tree.get("of", []):
        yield from walk(each)


def steps(tree: Tree, what: str) -> list[Tree]:
    return [each for each in walk(tree) if each["what"] == what]


def row_of(study: Path, table: str, session: str, number: int, **only: object) -> dict[str, Any]:
    rows = stored(study / "results", table, session)
    for name, value in only.items():
        rows = rows[rows[name] == value]
    return dict(rows.iloc[number % len(rows)])


def sample_row(
    study: Path, session: str, number: int, node: str, stream: str, channel: str, origin: str
) -> dict[str, Any]:
    """One row of a channel of table ``samples``."""
    rows = samples_in(study, session, node, stream, channel)
    rows = rows[rows["origin"] == origin]
    return dict(rows.iloc[number % len(rows)])


# The demo's frame, read by hand: no layout, no NumPy


def by_hand(raw: bytes) -> dict[str, Any]:
    """Every field of a frame, and its samples, instant by instant."""
    assert raw[:2] == b"\xd3\x91"
    assert len(raw) == raw[2] + 3
    kind, boot = raw[4] & 15, raw[4] >> 4
    size = {1: 30, 2: 45, 3: 8, 15: 8}[kind]
    payload, rest = raw[9 : 9 + size], raw[9 + size :]
    assert binascii.crc_hqx(raw[2 : 9 + size + 1], 0xFFFF) == int.from_bytes(rest[1:3], "big")
    return {
        "address": raw[3],
        "kind": kind,
        "boot": boot,
        "counter": raw[5],
        "ticks": int.from_bytes(raw[6:9], "little"),
        "hub": int.from_bytes(rest[3:7], "little"),
        "rssi": 0.5 * int.from_bytes(rest[7:8], "little", signed=True) - 74,
        "lqi": rest[8],
        "samples": samples_by_hand(kind, payload),
    }


def samples_by_hand(kind: int, payload: bytes) -> list[list[int]]:
    if kind == 3:
        return [[int.from_bytes(payload[k : k + 2], "little", signed=True)] for k in range(0, 8, 2)]
    counts = []
    for k in range(0, len(payload), 3):
        a, b, c = payload[k : k + 3]
        counts += [a << 4 | b >> 4, (b & 15) << 8 | c] if kind == 1 else [a | (b & 15) << 8, b >> 4 | c << 4]
    if kind == 1:
        return [[count] for count in counts]
    counts = [count - 4096 if count > 2047 else count for count in counts]
    return [counts[k : k + 3] for k in range(0, 30, 3)]


def bytes_of(study: Path, session: str, frame: Tree) -> bytes:
    """What the capture holds where the trace points, which the trace shows too."""
    with (study / "captures" / f"{session}.bin").open("rb") as file:
        file.seek(frame["offset"])
        raw = file.read(frame["length"])
    assert raw.hex(" ").upper() == frame["bytes"]
    assert frame["file"] == f"{session}.bin byte {frame['offset']}"
    return raw


def sample_by_hand(study: Path, session: str, sample: Tree) -> tuple[int, float, dict[str, Any]]:
    """Counts and value of a measured sample, and the frame that holds it."""
    (frame,) = [each for each in sample["of"] if each["what"] == "frame"]
    found = by_hand(bytes_of(study, session, frame))
    assert found["address"] == ADDRESS[sample["node"]]
    assert found["counter"] == frame["seq_raw"] == frame["seq"] % 256
    index = {"ecg": 0, "x": 0, "y": 1, "z": 2, "skin": 0}[sample["channel"]]
    count = found["samples"][sample["position"]][index]
    scale, offset = {"ecg": (0.002, -4.096), "skin": (0.01, 0.0)}.get(sample["channel"], (1 / 256, 0.0))
    return count, count * scale + offset, found


@pytest.mark.parametrize("number", range(7))
def test_a_sample_is_the_bits_that_its_trace_points_to(
    finished_study: Path, traced: Any, number: int
) -> None:
    """Cells 1 to 7, of every node."""
    rng = np.random.default_rng(number)
    node, channel = [
        ("heart", "ecg"),
        ("trunk", "x"),
        ("wrist", "y"),
        ("ankle", "z"),
        ("skin", "skin"),
        ("heart", "ecg"),
        ("wrist", "z"),
    ][number]
    stream = {"ecg": "ecg", "skin": "temp"}.get(channel, "acc")
    row = sample_row(finished_study, CAPTURED, int(rng.integers(1 << 30)), node, stream, channel, "measured")
    tree = traced(
        "samples",
        session=CAPTURED,
        node=node,
        stream=stream,
        column=channel,
        boot=row["boot"],
        seq=row["seq"],
        position=row["position"],
    )
    count, value, _ = sample_by_hand(finished_study, CAPTURED, tree)
    assert count == row["raw"]
    assert value == pytest.approx(row["value"], rel=1e-6)
    (clock,) = steps(tree, "clock")
    (frame,) = steps(tree, "frame")
    before, after = clock["of"]
    slope = (after["utc_ns"] - before["utc_ns"]) / (after["ticks"] - before["ticks"])
    stamped = before["utc_ns"] + (clock["ticks"] - before["ticks"]) * slope
    last = {"heart": 19, "skin": 3}.get(node, 9)
    rate = {"heart": 250, "skin": 1}.get(node, 50)
    assert clock["ticks"] == frame["ticks"]
    assert row["utc_ns"] == pytest.approx(stamped - (last - row["position"]) / rate * 1e9, abs=60_000)


@pytest.mark.parametrize("number", range(3))
def test_a_lost_sample_leads_to_the_counters_around_its_gap(
    finished_study: Path, traced: Any, number: int
) -> None:
    """Cells 8 to 10: filled ones and missing ones."""
    origin = ["interpolated", "missing", "interpolated"][number]
    row = sample_row(finished_study, OTHER, 977 * (number + 1), "heart", "ecg", "ecg", origin)
    tree = traced(
        "samples",
        session=OTHER,
        node="heart",
        stream="ecg",
        boot=row["boot"],
        seq=row["seq"],
        position=row["position"],
    )
    gap = next(each for each in tree["of"] if each["what"] == "gap")
    before, after = (by_hand(bytes_of(finished_study, OTHER, each)) for each in gap["of"])
    assert (after["counter"] - before["counter"] - 1) % 256 == gap["frames"] % 256
    assert gap["seq_from"] <= row["seq"] < gap["seq_to"]
    if origin == "interpolated":
        sides = [each for each in tree["of"] if each["what"] == "sample"]
        assert len(sides) == 2
        for side in sides:
            assert sample_by_hand(finished_study, OTHER, side)[0] == side["raw"]
        assert sides[0]["utc_ns"] < row["utc_ns"] < sides[1]["utc_ns"]
    else:
        assert row["value"] is None or np.isnan(row["value"])


def test_an_instant_of_a_stream_is_each_of_its_channels(finished_study: Path, traced: Any) -> None:
    row = sample_row(finished_study, CAPTURED, 1234, "wrist", "acc", "x", "measured")
    key = {name: row[name] for name in ("node", "stream", "boot", "seq", "position")}
    tree = traced("samples", session=CAPTURED, **key)
    assert [each["channel"] for each in tree["of"]] == ["x", "y", "z"]
    for each in tree["of"]:
        assert sample_by_hand(finished_study, CAPTURED, each)[0] == each["raw"]


@pytest.mark.parametrize("number", range(2))
def test_a_gap_is_what_the_counters_leave_out(finished_study: Path, traced: Any, number: int) -> None:
    """Cells 11 and 12."""
    row = row_of(finished_study, "gaps", CAPTURED, 31 + 55 * number, extent="known")
    key = {name: row[name] for name in ("node", "stream", "boot", "seq_from")}
    tree = traced("gaps", session=CAPTURED, **key)
    before, after = (by_hand(bytes_of(finished_study, CAPTURED, each)) for each in tree["of"])
    assert before["address"] == after["address"] == ADDRESS[row["node"]]
    assert (after["counter"] - before["counter"] - 1) % 256 == row["frames"]


@pytest.mark.parametrize("number", range(2))
def test_a_frame_is_its_bytes(finished_study: Path, traced: Any, number: int) -> None:
    """Cells 13 and 14."""
    row = row_of(finished_study, "frames", CAPTURED, 4321 * (number + 1))
    tree = traced("frames", session=CAPTURED, capture=0, offset=row["offset"])
    found = by_hand(bytes_of(finished_study, CAPTURED, tree))
    assert found["address"] == ADDRESS[row["node"]]
    assert found["counter"] == row["seq_raw"]
    assert found["ticks"] == row["ticks_raw"]
    assert found["kind"] == row["kind"]
    assert found["rssi"] == row["rssi_dbm"]
    assert found["hub"] == row["hub_ns"] // 1_000_000 % (1 << 32)


def received_by_hand(study: Path, session: str, tree: Tree) -> list[list[int]]:
    """All instants that an epoch's frames hold inside of it, from their bytes."""
    found = []
    for group in steps(tree, "samples"):
        if group["origin"] in ("measured", "recovered"):
            instants = by_hand(bytes_of(study, session, group["of"][0]))["samples"]
            at_start = not found
            found += instants[-group["instants"] :] if at_start else instants[: group["instants"]]
    return found


def test_the_mean_of_an_epoch_from_its_bytes(finished_study: Path, traced: Any) -> None:
    """Cell 15: skin temperature."""
    row = row_of(finished_study, "epochs", CAPTURED, 3, node="skin", feature="mean")
    tree = traced("epochs", session=CAPTURED, node="skin", epoch=row["epoch"], feature="mean")
    counts = [instant[0] for instant in received_by_hand(finished_study, CAPTURED, tree)]
    assert row["value"] == pytest.approx(sum(counts) / len(counts) * 0.01, abs=1e-6)


def test_the_intensity_of_an_epoch_from_its_bytes(finished_study: Path, traced: Any) -> None:
    """Cell 16: mean of what the length of (x, y, z) has above 1 g, in mg."""
    row = row_of(finished_study, "epochs", CAPTURED, 5, node="trunk", feature="enmo_mg")
    tree = traced("epochs", session=CAPTURED, node="trunk", epoch=row["epoch"], feature="enmo_mg")
    total = count = 0.0
    for x, y, z in received_by_hand(finished_study, CAPTURED, tree):
        total += max((x * x + y * y + z * z) ** 0.5 / 256 - 1, 0)
        count += 1
    assert row["value"] == pytest.approx(1000 * total / count, rel=1e-4)


def test_the_heart_rate_of_an_epoch_from_its_beats(finished_study: Path, traced: Any) -> None:
    """Cell 17: intervals from the instants of the beats; the samples next to them are derived by hand."""
    row = row_of(finished_study, "epochs", CAPTURED, 6, node="heart", feature="heart_rate_bpm")
    tree = traced("epochs", session=CAPTURED, node="heart", epoch=row["epoch"], feature="heart_rate_bpm")
    beats = [each for each in tree["of"] if each["what"] == "beat"]
    start, end, intervals = int(row["start_ns"]), int(row["end_ns"]), []
    for beat in beats:
        (before,) = [each for each in beat["of"] if each["what"] == "beat before"]
        interval = (beat["utc_ns"] - before["utc_ns"]) / 1e6
        assert beat["rr_ms"] is None or interval == pytest.approx(beat["rr_ms"], abs=1e-6)
        inside = (min(beat["utc_ns"], end) - max(before["utc_ns"], start)) / 1e6
        if beat["rr_status"] not in ("first", "touches_gap", "too_long"):
            intervals.append((inside, inside / interval))
        for sample in beat["of"]:
            if sample["what"] == "sample" and sample["origin"] == "measured":
                assert sample_by_hand(finished_study, CAPTURED, sample)[0] == sample["raw"]
                assert abs(sample["utc_ns"] - beat["utc_ns"]) <= 9_000_000
    time_ms, count = (sum(part) for part in zip(*intervals, strict=True))
    assert row["value"] == pytest.approx(60_000 * count / time_ms, rel=1e-9)


def test_an_instant_of_the_grid_from_its_neighbours(finished_study: Path, traced: Any) -> None:
    """Cell 18: skin temperature, which is slow enough for any way between two samples."""
    path = tables.path(finished_study / "results", "aligned", CAPTURED)
    rows = pd.read_parquet(path, columns=["utc_ns", "skin_skin", "skin_skin_origin"])
    row = rows[rows["skin_skin_origin"] == "measured"].iloc[12_345]
    tree = traced("aligned", session=CAPTURED, utc_ns=row["utc_ns"], column="skin_skin")
    left, right = steps(tree, "sample")
    assert left["utc_ns"] <= row["utc_ns"] <= right["utc_ns"]
    low, high = (sample_by_hand(finished_study, CAPTURED, each)[1] for each in (left, right))
    share = (row["utc_ns"] - left["utc_ns"]) / (right["utc_ns"] - left["utc_ns"])
    assert row["skin_skin"] == pytest.approx(low + (high - low) * share, abs=0.02)


def test_a_minute_of_loss_from_its_frames(finished_study: Path, traced: Any) -> None:
    """Cell 19: frames received in a minute, each counted once by its counter."""
    row = row_of(finished_study, "loss", OTHER, 1, node="ankle")
    tree = traced("loss", session=OTHER, node="ankle", stream="acc", minute_hub_ns=row["minute_hub_ns"])
    (arrived,) = [each for each in tree["of"] if each["what"] == "frames"]
    frames = [each for each in arrived["of"] if each["what"] == "frame"]
    counters = {by_hand(bytes_of(finished_study, OTHER, each))["counter"] for each in frames}
    assert 100 < row["received"] == len(counters) < 256


def test_a_cell_of_the_wide_table_is_its_epoch(finished_study: Path, traced: Any) -> None:
    """Cell 20."""
    rows = pd.read_parquet(finished_study / "results" / "study" / "epochs_wide.parquet")
    row = rows[(rows["session"] == OTHER) & rows["skin_skin_mean"].notna()].iloc[-1]
    tree = traced("epochs_wide", session=OTHER, epoch=row["epoch"], column="skin_skin_mean")
    counts = [instant[0] for instant in received_by_hand(finished_study, OTHER, tree)]
    assert row["skin_skin_mean"] == pytest.approx(sum(counts) / len(counts) * 0.01, abs=1e-6)


def test_tables_that_sum_up_name_the_rows_they_sum(finished_study: Path, traced: Any) -> None:
    results = finished_study / "results"
    summed = tables.read(tables.path(results, "phase_features"), "phase_features")
    row = summed[(summed["feature"] == "mean") & (summed["epochs_with_value"] > 2)].iloc[0]
    key = {name: row[name] for name in ("session", "phase", "node", "channel", "feature", "start_ns")}
    tree = traced("phase_features", **key)
    values = [each["value"] for each in steps(tree, "epoch") if each["value"] is not None]
    assert row["value"] == pytest.approx(np.mean(values))
    assert steps(tree, "epoch")[0]["more"].startswith("nodeday trace epochs session=")
    assert steps(traced("participants", participant="P01"), "session")
    assert steps(traced("phases", session=CAPTURED, phase="rest"), "note")
    assert traced("exclusions", session="S03-mess")["rule"] == "finished"
    assert steps(traced("flow", step=1), "exclusion")
    assert steps(traced("sessions", session=CAPTURED, node="heart"), "gap")
    assert steps(traced("radio", session=CAPTURED, node="heart"), "gap")
    ticks = row_of(finished_study, "clock", CAPTURED, 1, node="skin")["ticks"]
    assert len(steps(traced("clock", session=CAPTURED, node="skin", ticks=ticks), "frame")) > 1
    reject = row_of(finished_study, "rejects", CAPTURED, 0)
    assert traced("rejects", session=CAPTURED, offset=reject["offset"])["bytes"]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["epohcs", "node=heart"], "no table epohcs (did you mean epochs?)"),
        (["epochs", "session=S01-clean", "node=heart"], "also channel (such as ecg); epoch (such as 0, 1"),
        (["epochs", "session=S01-clean", "nod=heart"], "has no column nod (did you mean node?)"),
        (["epochs", "session=S01-clean", "epoch=x"], "epoch is x; expected a number"),
        (["epochs", "session=S01-clean", "epoch=999"], "no row with epoch 999"),
        (["epochs", "node"], "expected NAME=VALUE"),
        (["ledger", "stage=frames"], "its parts are counts"),
        (["epochs", "session=S1"], "no session S1"),
        (["samples", "session=S01-clean", "seq=3", "column=w"], "no channel w"),
        (["samples", "session=S01-clean", "seq=3"], "also node (such as heart, trunk, wrist, ankle); stream"),
        (["samples", "session=S01-clean", "channel=x"], "has no column channel"),
    ],
)
def test_a_key_that_names_no_cell_is_refused(
    finished_study: Path, capsys: pytest.CaptureFixture[str], words: list[str], sentence: str
) -> None:
    assert main(["trace", *words, "--study", str(finished_study)]) == errors.USAGE
    assert sentence in capsys.readouterr().err


def test_the_tree_shows_the_bytes_of_each_field(
    finished_study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["epochs", f"session={CAPTURED}", "node=heart", "epoch=1", "feature=heart_rate_bpm"]
    assert main(["trace", *words, "--study", str(finished_study)]) == errors.GOOD
    text = capsys.readouterr().out
    for line in (
        "  D3 91 ",
        " sync",
        " counter ",
        "counts of ecg: ",
        "├─ knot",
        "(--all shows them)",
        "bits ",
        f"file={CAPTURED}.bin byte ",
        "(above)",
    ):
        assert line in text
    assert len(text.splitlines()) < 200


class Pieces:
    """A capture of two files, given in pieces."""

    def __init__(self, raw: bytes, cuts: list[int]) -> None:
        edges = [0, *sorted(cuts), len(raw)]
        self.parts = [raw[a:b] for a, b in pairwise(edges)]
        self.facts = [
            FileFacts("a.bin", taken=len(raw) // 2),
            FileFacts("b.bin", packed="gzip", taken=len(raw)),
        ]

    def pieces(self) -> Iterator[bytes]:
        yield from self.parts


@given(st.binary(min_size=1, max_size=300), st.data())
def test_ranges_are_read_across_pieces(raw: bytes, data: st.DataObject) -> None:
    within = st.integers(0, len(raw))
    source = Pieces(raw, data.draw(st.lists(within, max_size=8)))
    ranges = data.draw(st.lists(st.tuples(within, st.integers(0, 40)), max_size=8, unique=True))
    found = capture.read_ranges(source, sorted(ranges))
    assert found == {(start, length): raw[start : start + length] for start, length in ranges}


def test_a_byte_is_found_in_its_file() -> None:
    source = Pieces(bytes(100), [])
    assert capture.location(source, 49) == "a.bin byte 49"
    assert capture.location(source, 50) == "b.bin byte 0 (unpacked from gzip)"


@pytest.mark.parametrize("framing", ["cobs", "slip", "hdlc"])
def test_frames_between_delimiters_are_decoded_too(beltframe: Layout, framing: Framing) -> None:
    """The same frame without its sync word, its delimiter's value stuffed away."""
    layout = beltframe.model_copy(update={"framing": framing, "sync": ""})
    layout = Layout.model_validate(layout.model_dump())
    kind = layout.stream("temp")
    counts = np.array([[[192], [126], [0], [-300]]])
    fields = {"node": 20, "sequence": 0, "ticks": 0xC0DB7E, "hub_time": 126}
    frame = encode_frames(layout, kind, fields, pack_counts(counts, kind))
    wire, _ = stuff(frame, framing)
    lines, counts_by_channel = capture.decoded(wire.tobytes(), layout, kind)
    assert counts_by_channel == {"skin": [192, 126, 0, -300]}
    assert any("ticks" in line and str(0xC0DB7E) in line for line in lines)


def test_the_tree_of_a_row_that_has_a_column_counts(
    finished_study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The column of an exclusion is no list of counts of a frame."""
    assert main(["trace", "exclusions", "session=S03-mess", "--study", str(finished_study)]) == errors.GOOD
    assert " counts=" in capsys.readouterr().out.splitlines()[0]


def test_a_stream_with_a_clock_of_its_own_has_its_own_knots() -> None:
    """Two streams of a node whose ticks are not the same: ecg at 1 kHz, acc at 100 Hz."""
    knots = pd.DataFrame(
        {
            "node": "heart",
            "stream": ["acc", "acc", "ecg", "ecg"],
            "boot": 0,
            "ticks": [0, 100, 0, 1000],
            "utc_ns": [0, 10**9, 0, 10**9],
        }
    )
    signal = SessionTables(None, "S01")  # type: ignore[arg-type]
    signal.__dict__["clock"] = knots
    for stream, ticks in (("acc", 100), ("ecg", 1000)):
        both = signal.knots("heart", stream, 0, ticks // 2).of
        assert [knot.values["stream"] for knot in both] == [stream, stream]
        assert [knot.values["ticks"] for knot in both] == [0, ticks]
