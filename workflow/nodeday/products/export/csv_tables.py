"""Tables as CSV files with the columns of the Parquet files, in a data package of their own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from nodeday.config.study import Study
from nodeday.core import csv_io
from nodeday.products.export import package
from nodeday.storage import inventory, tables

LARGE = ("frames", "rejects", "samples", "aligned")
"""Tables without a CSV file: a day of them is millions of rows, too many for text."""


def write(study: Study, sessions: list[str], target: Path) -> list[Path]:
    """Write a CSV file for each table file but the large ones, and a ``datapackage.json``; return the files.

    The files are UTF-8 with commas, a header, and an empty field for a null. The rows are those of the
    Parquet files, except that text which a spreadsheet would run is made harmless (see
    :mod:`nodeday.core.csv_io`).
    """
    done = []
    for file in inventory.tables_of(study.results, sessions):
        if file.table.name.split("_")[0] not in LARGE:
            path = file.path.removesuffix(".parquet") + ".csv"
            csv_io.write(target / path, tables.row_groups(file.full, file.table))
            done.append(replace(file, root=target, path=path))
    package.write(target, study.file.study, study.file.title, done)
    return [file.full for file in done]
