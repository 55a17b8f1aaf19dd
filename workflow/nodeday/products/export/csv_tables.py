"""Tables as CSV with the same columns, packed as a data package of their own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from nodeday.config.study import Study
from nodeday.core import csv_io
from nodeday.products.export import package
from nodeday.storage import inventory, tables

LARGE = ("frames", "rejects", "samples", "aligned")
"""A day of these is millions of rows, and text is no way to keep them."""


def write(study: Study, sessions: list[str], target: Path) -> list[Path]:
    """A CSV file for each table file but the large ones: UTF-8, commas, a header, an empty field for a
    null. The same rows as in Parquet, but for text that a spreadsheet would run (see
    :mod:`nodeday.core.csv_io`), and a ``datapackage.json`` beside them.
    """
    done = []
    for each in inventory.tables_of(study.results, sessions):
        if each.table.name.split("_")[0] not in LARGE:
            path = each.path.removesuffix(".parquet") + ".csv"
            csv_io.write(target / path, tables.row_groups(each.full, each.table))
            done.append(replace(each, root=target, path=path))
    package.write(target, study.file.study, study.file.title, done)
    return [each.full for each in done]
