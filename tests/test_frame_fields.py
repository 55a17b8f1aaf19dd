"""Fields of role other: kept as sent and in their unit, and losses behind the frames that hold a value."""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import open_captures
import pandas as pd
import pyarrow.parquet as parquet
import pytest
from captures import Logged, Recording, Wire, write_study
from test_captures import COUNTING, MULTIHOP, radio, study_of

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import GOOD, SettingsError
from nodeday.layouts import load_layout
from nodeday.storage import frame_fields, frames, tables

needs_open_data = pytest.mark.skipif(
    not os.environ.get("NODEDAY_OPEN_DATA"), reason="NODEDAY_OPEN_DATA is not set"
)
NAMES = ("hops", "retransmissions", "channel", "first_hop")


def rows_of(root: Path, session: str = "S1") -> pd.DataFrame:
    """Every frame with all of its columns, in order of capture."""
    folder = frames.folder(Study(root).results, session)
    rows = pd.concat([parquet.read_table(path).to_pandas() for path in folder.glob("*.parquet")])
    return rows.sort_values("row", ignore_index=True)


def behind(log: list[Logged], index: int) -> dict[tuple[str, int], tuple[int, int, int, int]]:
    """By node and value of an extra: frames, of these with a next one, runs behind them, frames lost there.

    Counted from true boots and counters alone, over first copies.
    """
    by_node: dict[str, dict[tuple[int, int], int]] = defaultdict(dict)
    for one in log:
        by_node[f"n{one.address}"].setdefault((one.boot, one.count), one.extras[index])
    found: dict[tuple[str, int], Counter[str]] = defaultdict(Counter)
    for node, first in by_node.items():
        keys = sorted(first)
        for key in keys:
            found[node, first[key]]["frames"] += 1
        for before, after in pairwise(keys):
            if before[0] == after[0]:
                own, lost = found[node, first[before]], after[1] - before[1] - 1
                own["next"] += 1
                own["runs"] += lost > 0
                own["lost"] += lost
    return {
        key: (each["frames"], each["next"], each["runs"], each["lost"]) for key, each in sorted(found.items())
    }


def made(values: list[int], lost: tuple[int, ...] = (), scale: str = "") -> Recording:
    """A frame a second that holds one of ``values`` in turn; frames at ``lost`` never arrive."""
    log = [
        Logged(5, 0, count, 0, count, 300.0 + count, float(count), extras=(value,))
        for count, value in enumerate(values)
        if count not in lost
    ]
    return Recording(Wire(1.0, extras=(f"name: mood{scale}",)), log)


@needs_open_data
@pytest.mark.parametrize("ticks", ["made", "none"])
def test_fields_of_an_open_capture(tmp_path: Path, ticks: open_captures.Ticks) -> None:
    recording = open_captures.multihop(radio(MULTIHOP), ticks)
    root = study_of(tmp_path, recording, COUNTING)
    got = rows_of(root)
    sent = np.array([one.extras for one in recording.log])
    for index, name in enumerate(NAMES):
        assert got[f"field_{name}"].tolist() == sent[:, index].tolist()
    assert got["scaled_first_hop"].tolist() == (-sent[:, 3]).tolist()
    assert not {"scaled_hops", "scaled_channel"} & set(got)
    table = tables.read(tables.path(Study(root).results, "fields", "S1"), "fields")
    for index, name in enumerate(NAMES[:3]):
        own = table[table["field"] == name]
        counts = own[["received", "followed", "runs_after", "lost_after"]].itertuples(index=False, name=None)
        told = dict(zip(zip(own["node"].astype(str), own["value"], strict=True), counts, strict=True))
        assert told == behind(recording.log, index)
        assert own["p"].to_numpy() == pytest.approx(
            (own["runs_after"] / own["followed"]).to_numpy(), nan_ok=True
        )
    totals = tables.read(tables.path(Study(root).results, "radio", "S1"), "radio")
    sums = table[table["field"] == "hops"].groupby("node", observed=True)[["runs_after", "lost_after"]].sum()
    assert sums["runs_after"].tolist() == totals["runs"].tolist()
    assert sums["lost_after"].tolist() == totals["lost_radio"].tolist()


def test_what_the_audit_says_of_fields(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every other frame holds 7; the two frames behind number 3, which holds 7, are lost::

    4 7 4 7 ? ? 4 7 4
    """
    root = study_of(tmp_path, made([4, 7] * 4 + [4], lost=(4, 5)), COUNTING)
    assert main(["audit", "S1", "--study", str(root)]) == GOOD
    said = capsys.readouterr().out
    assert "Values of fields: frames received with each (share of them behind which a loss" in said
    assert "  n5/level mood  4: 4 (0 %), 7: 3 (33 %)" in said
    cell = ["fields", "session=S1", "node=n5", "stream=level", "field=mood", "value=7"]
    assert main(["trace", *cell, "--study", str(root)]) == GOOD
    traced = capsys.readouterr().out
    assert "frames received with the value, and gaps on the air right behind one of them" in traced
    assert "seq_from=4 seq_to=6" in traced


def test_a_field_of_many_values_is_no_category(tmp_path: Path) -> None:
    """Of 32 values each has a row, of 33 none."""
    for count, rows in ((32, 32), (33, 0)):
        root = study_of(tmp_path / str(count), made(list(range(count)) * 2), COUNTING)
        assert len(tables.read(tables.path(Study(root).results, "fields", "S1"), "fields")) == rows


def test_a_file_states_unit_and_meaning_of_its_fields(tmp_path: Path) -> None:
    root = study_of(tmp_path, made([10, 12], scale=", scale: 0.5, offset: -40.0, unit: degC"), COUNTING)
    (source,) = frames.folder(Study(root).results, "S1").glob("*.parquet")
    fields = {field.name: field for field in parquet.read_schema(source)}
    assert fields["field_mood"].metadata[b"unit"] == b"count"
    assert fields["scaled_mood"].metadata[b"unit"] == b"degC"
    assert rows_of(root)["scaled_mood"].tolist() == [-35.0, -34.0]
    kind = Study(root).layout_of("S1", "n5").stream("level")
    table = frame_fields.table_of(frame_fields.fields_of(Study(root).layout_of("S1", "n5"), kind))
    assert parquet.read_schema(source).names == table.names


def test_streams_have_the_fields_of_their_own_layout(tmp_path: Path) -> None:
    """A hub's marks have the frame's fields too, and a file of one stream those of that stream alone."""
    recording = made([1, 2, 3])
    root = write_study(tmp_path / "study", {"S1": recording})
    layout = root / "config" / "layouts" / "S1.yaml"
    text = layout.read_text()
    text = text.replace(
        "every_s: 10.0\n    fields: [", "every_s: 10.0\n    fields: [{name: load, signed: true}, "
    )
    layout.write_text(text)
    assert main(["stage", "frames", "S1", "--study", str(root)]) == GOOD
    (source,) = frames.folder(Study(root).results, "S1").glob("*.parquet")
    assert parquet.read_schema(source).names[-1] == "field_mood"
    marks = load_layout(layout).stream("mark")
    assert [each.name for each in frame_fields.fields_of(load_layout(layout), marks)] == ["load", "mood"]


def test_several_captures_keep_their_fields(tmp_path: Path) -> None:
    """A second capture has the frames that the first one lost, each with its own field."""
    values = [3 + count % 5 for count in range(200)]
    first, second = made(values, lost=tuple(range(50, 60))), made(values)
    root = write_study(tmp_path / "study", {"S1": first})
    (root / "captures" / "other.bin").write_bytes(second.capture())
    sheet = root / "config" / "sessions.tsv"
    sheet.write_text(sheet.read_text().replace("S1.bin", "S1.bin|captures/other.bin"))
    assert main(["stage", "frames", "S1", "--study", str(root)]) == GOOD
    rows = rows_of(root)
    assert (rows["capture"] == 1).sum() == 200
    assert (rows["field_mood"] == 3 + rows["seq_raw"] % 5).all()


def test_a_decoded_recording_brings_its_fields_or_none(tmp_path: Path) -> None:
    """What a recording does not tell is null, and no zero."""
    for name, head, tail in (("with", ",mood", ",6"), ("without", "", ""), ("signed", ",mood", ",-1")):
        root = write_study(tmp_path / name, {"S1": made([1, 2, 3])})
        lines = [f"stream,sequence,time,level,rssi{head}"]
        lines += [f"level,{k},{k}000000000,{k},-60{tail}" for k in range(4)]
        (root / "captures" / "S1.bin").write_text("\n".join(lines) + "\n")
        done = main(["stage", "frames", "S1", "--study", str(root)])
        if name == "signed":
            assert done != GOOD
            continue
        assert done == GOOD
        assert rows_of(root)["field_mood"].isna().all() == (name == "without")


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (("role: rssi,", "role: rssi, unit: dBm,"), "only a field of role other has a unit"),
        (("fields: [", "fields: [{name: a}, {name: a}, "), "field a is there twice"),
    ],
)
def test_a_wrong_field_is_refused(tmp_path: Path, change: tuple[str, str], found: str) -> None:
    path = tmp_path / "wrong.yaml"
    path.write_text(Wire(1.0).layout("wrong").replace(*change))
    with pytest.raises(SettingsError, match=found):
        load_layout(path)


def test_a_field_of_64_bits_keeps_its_bits(tmp_path: Path) -> None:
    """Without a sign it may pass what an int64 holds: the column has its bits, the scaled one its value."""
    recording = made([255, 1])
    wire = replace(recording.wire, extras=("name: wide, bits: 64, scale: 0.5",))
    log = [replace(one, extras=(*[one.extras[0]] * 8,)) for one in recording.log]
    root = write_study(tmp_path / "study", {"S1": replace(recording, wire=wire, log=log)})
    assert main(["stage", "frames", "S1", "--study", str(root)]) == GOOD
    rows = rows_of(root)
    assert rows["field_wide"].tolist() == [-1, 0x0101010101010101]
    assert rows["scaled_wide"].tolist() == [(2**64 - 1) / 2, 0x0101010101010101 / 2]
