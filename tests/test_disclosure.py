"""What a copy for sharing must not say: dates, people, paths, names of machines, in any of its texts."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as parquet
import pytest

from nodeday.cli.main import main
from nodeday.core import errors
from nodeday.products.export import disclosure


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("harvest 2026-07-14", "a date"),
        ("20260714_run", "a date"),
        ("S20260714", "a date"),
        ("14.07.2026", "a date"),
        ("7/14/26", "a date"),
        ("week of 14 July", "a date"),
        ("July 14th", "a date"),
        ("am 14. Juli", "a date"),
        ("le 1er août", "a date"),
        ("14 de julio", "a date"),
        ("Juli 2026", "a date"),
        ("/home/ana/day.bin", "a path"),
        ("C:\\data\\day.bin", "a path"),
        ("ask ana@example.org", "an e-mail address"),
        ("host-17", "a name of this machine, its user or the study's folder"),
        ("harvest", ""),
        ("P01", ""),
        ("S01-clean", ""),
        ("may be lost", ""),
        ("1,234.56 ms", ""),
        ("pNN50 over 5 min", ""),
        ("version 3.11.7", ""),
        ("config/layouts/beltframe.yaml", ""),
        ("9d5f20190101ab", ""),
        ("1.5-2.5 mV", ""),
    ],
)
def test_texts_that_disclose_are_told_from_others(text: str, what: str) -> None:
    assert disclosure.discloses(text, ["host-17"]) == what


def test_a_dated_text_is_refused_with_its_place_and_no_copy_is_left(
    finished_study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "own"
    shutil.copytree(finished_study, own, copy_function=os.link)
    settings = own / "config" / "study.yaml"
    text = settings.read_text()
    settings.unlink()
    settings.write_text(
        "title: Harvest of 14 July\n"
        + "\n".join(line for line in text.splitlines() if not line.startswith("title:"))
        + "\n"
    )
    capsys.readouterr()
    assert main(["release", str(tmp_path / "copy"), "--study", str(own)]) == errors.CONTRACT
    said = capsys.readouterr().err
    assert said == (
        "nodeday: datapackage.json: 'Harvest of 14 July' holds a date; expected texts without dates, people, "
        "paths and names of machines. Write it without in config/, run `nodeday run`, and release again.\n"
    )
    assert sorted(each.name for each in tmp_path.iterdir()) == ["own"]
    assert (own / "release-offsets.tsv").stat().st_mode & 0o777 == 0o600


def test_every_text_of_a_table_is_searched(tmp_path: Path) -> None:
    """Plain and dictionary columns, in any row group, and the metadata of the file."""
    about = {b"note": b'{"by": "written on 2026-07-14"}'}
    plain = pa.table({"code": ["a", "b", "4 May"], "start_utc": ["2019-01-01T00:00:00Z"] * 3})
    coded = pa.table({"phase": pa.array(["x", "x", "x"]).dictionary_encode()})
    for name, table in (("one", plain), ("two", coded.replace_schema_metadata(about))):
        parquet.write_table(table, tmp_path / f"{name}.parquet", row_group_size=2)
    (tmp_path / "methods.md").write_text("first\nby /home/ana\n")
    found = [(each.where, each.text) for each in disclosure.findings(tmp_path, Path("/study"))]
    assert found == [
        ("methods.md line 2", "by /home/ana"),
        ("one.parquet column code", "4 May"),
        ("two.parquet metadata note", "written on 2026-07-14"),
    ]
