"""The proof of a finished study: what was altered by hand is found and named, what was not is not."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as arrow
import pyarrow.parquet as parquet
import pytest
from conftest import FINISHED, valid_rows, whole, without_records
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import TABLES

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.products.audit import checkpoints, prove
from nodeday.products.audit.compare import compare
from nodeday.storage import frames, samples, tables

SESSION = FINISHED[0]


def altered(path: Path, column: str, row: int, value: Any = None) -> None:
    """One cell of a stored table changed, as a careless or a clever hand would: all else stays."""
    stored = parquet.read_table(path)
    at = row % len(stored)
    cells = stored[column].to_pylist()
    cells[at] = value if value is not None else cells[at] + 1
    index = stored.schema.get_field_index(column)
    changed = arrow.array(cells).cast(stored.schema.field(column).type)
    parquet.write_table(stored.set_column(index, stored.schema.field(column), changed), path)


@pytest.fixture(scope="module")
def spoiled(finished_study: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the finished study with one cell changed in each of five tables of a session."""
    folder = tmp_path_factory.mktemp("spoiled") / "study"
    without_records(finished_study, folder, ".snakemake", "report")
    results = folder / "results"
    altered(frames.path(results, SESSION, ("heart", "ecg")), "payload", 40, b"\x00" * 30)
    altered(tables.path(results, "gaps", SESSION), "cause", 3, "hub_outage")
    heart = samples.folder(results, SESSION) / "heart.ecg.parquet"
    counts = parquet.read_table(heart, columns=["ecg_raw"])["ecg_raw"]
    altered(heart, "ecg_raw", int(np.argmax(counts.is_valid())))
    epochs = parquet.read_table(tables.path(results, "epochs", SESSION), columns=["value"])["value"]
    altered(tables.path(results, "epochs", SESSION), "value", int(np.argmax(epochs.is_valid())))
    altered(tables.path(results, "ledger", SESSION, "loss"), "accounted", 0)
    return folder


def proven(folder: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, str]:
    code = main(["audit", "--all", *more, "--study", str(folder)])
    return code, capsys.readouterr().out


def test_a_finished_study_agrees_with_its_captures(
    finished_study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, text = proven(finished_study, capsys)
    assert code == errors.GOOD, text
    assert all(f"\n{name}\n" in f"\n{text}" for name in (*FINISHED, "the study"))
    assert text.count("all alike") == 3
    assert "files have the hashes of the manifest" in text
    assert text.rstrip().endswith("tables are what the captures say, cell by cell.")


def test_each_altered_cell_is_named(spoiled: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, text = proven(spoiled, capsys, SESSION)
    assert code == errors.CONTRACT
    found = [line.strip() for line in text.splitlines() if line.startswith("  ! ")]
    changed = {
        "frames": "payload",
        "gaps": "cause",
        "samples": "ecg_raw",
        "epochs": "value",
        "ledger": "accounted",
    }
    for table, column in changed.items():
        lines = [
            line for line in found if f"{table}/session={SESSION}/" in line and f": {column} is " in line
        ]
        assert len(lines) == 1, f"{table}.{column} in {found}"
        assert "the captures give" in lines[0]
    assert sum("session=" in line for line in found) == 5
    # The payload is not what the bytes are, nor the count what the payload has.
    assert any(line.startswith("! frames: capture 0: ") for line in found)
    assert any(line.startswith("! samples: ") for line in found)
    assert f"Not what the captures say: {SESSION}." in text


def test_programs_get_the_same() -> None:
    good = prove.Proof("S1", [checkpoints.Checkpoint("bytes", "capture 0: 5 = 5 in 1 frames", [])], 1, 2, 6)
    bad = prove.Proof("S2", [checkpoints.Checkpoint("gaps", "", ["lost is 3"])], 1, 2, 6)
    assert json.loads(prove.as_json([good]))["good"]
    proof = json.loads(prove.as_json([good, bad]))
    assert not proof["good"]
    assert [each["of"] for each in proof["proofs"]] == ["S1", "S2"]
    assert proof["proofs"][1]["checkpoints"][0]["wrong"] == ["lost is 3"]


def test_the_checkpoints_need_no_second_derivation(spoiled: Path) -> None:
    """What is checked in plain steps finds the altered payload and count by itself."""
    study = Study(spoiled)
    found = checkpoints.of_session(study, SESSION)
    wrong = {each.name: each.wrong for each in found}
    assert not wrong["bytes"]
    assert len(wrong["frames"]) == 1
    assert wrong["samples"]


def test_what_is_absent_is_named(finished_study: Path, tmp_path: Path) -> None:
    folder = tmp_path / "study"
    without_records(finished_study, folder, ".snakemake", "report")
    gaps = tables.path(folder / "results", "gaps", SESSION)
    truth = tables.path(finished_study / "results", "gaps", SESSION)
    key = TABLES["gaps"].key
    gaps.unlink()
    assert compare(gaps, truth, key).differences == ["is absent"]
    gaps.write_bytes(b"PAR1, by hand")
    assert compare(gaps, truth, key).differences[0] == "is damaged: it cannot be read as Parquet"
    full = parquet.read_table(truth)
    parquet.write_table(full.drop_columns(["cause"]), gaps)
    assert compare(gaps, truth, key).differences == ["has no column cause"]
    parquet.write_table(arrow.concat_tables([full.slice(0, 4), full.slice(5)]), gaps)
    differences = compare(gaps, truth, key).differences
    assert differences[0] == f"has {len(full) - 1} rows, the captures give {len(full)}"
    assert differences[1].startswith("parts from the captures at row 4, where they have node ")
    assert prove.finished(Study(folder)) == list(FINISHED)


@settings(max_examples=40, deadline=None)
@given(name=st.sampled_from(sorted(set(TABLES) - {"aligned"})), row=st.integers(0, 6), data=st.data())
def test_any_single_cell_is_found(name: str, row: int, data: st.DataObject, tmp_path_factory: Any) -> None:
    """Of any column of any table: the changed cell and no other, by its row and column."""
    table = whole(name)
    folder = tmp_path_factory.mktemp("cells")
    tables.write(folder / "truth.parquet", table, valid_rows(table, 7))
    stored = parquet.read_table(folder / "truth.parquet")
    column = data.draw(st.sampled_from(table.names))
    cells = stored[column].to_pylist()
    kind = stored.schema.field(column).type
    if arrow.types.is_dictionary(kind) or arrow.types.is_string(kind):
        cells[row] = f"{cells[row]}x"
    elif arrow.types.is_binary(kind):
        cells[row] = cells[row] + b"x"
    else:
        cells[row] = None if data.draw(st.booleans()) and cells[row] is not None else (cells[row] or 0) + 1
    field = stored.schema.field(column).with_nullable(True)
    changed = stored.set_column(table.names.index(column), field, arrow.array(cells).cast(kind))
    parquet.write_table(changed, folder / "mine.parquet")
    found = compare(folder / "mine.parquet", folder / "truth.parquet", table.key)
    assert (found.unlike, len(found.differences)) == (1, 1)
    assert found.differences[0].startswith(f"{column} is ")
    assert f"in row {row}, " in found.differences[0]
    assert compare(folder / "truth.parquet", folder / "truth.parquet", table.key).unlike == 0
