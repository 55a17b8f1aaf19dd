"""Tables as CSV with the same columns, packed as a data package of their own."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from nodeday import tables
from nodeday.dataset import files, package
from nodeday.dataset.files import TableFile
from nodeday.settings import Study

LARGE = ("frames", "rejects", "samples", "aligned")
"""A day of these is millions of rows, and text is no way to keep them."""


def write(study: Study, sessions: list[str], target: Path) -> list[Path]:
    """A CSV file for each table file but the large ones: UTF-8, commas, a header, an empty field for a
    null. The same rows as in Parquet, and a ``datapackage.json`` beside them."""
    done = []
    for each in files.tables_of(study.results, sessions):
        if each.table.name.split("_")[0] not in LARGE:
            path = each.path.removesuffix(".parquet") + ".csv"
            _copy(each, target / path)
            done.append(replace(each, root=target, path=path))
    package.write(target, study.file.study, study.file.title, done)
    return [each.full for each in done]


def _copy(source: TableFile, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    partial = target.with_name(f".{target.name}.partial")
    with partial.open("w", encoding="utf-8", newline="") as out:
        for number, frame in enumerate(tables.row_groups(source.full, source.table)):
            frame.to_csv(out, index=False, header=not number, lineterminator="\n")
    os.replace(partial, target)
