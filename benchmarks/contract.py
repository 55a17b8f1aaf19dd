"""Cost of holding a piece of a long table to its contract: on Arrow columns, and by pandera.

Run: ``.venv/bin/python benchmarks/contract.py [ROWS]`` (1,000,000). Makes a piece of table ``samples`` with
one channel, as the stage ``repair`` hands it to the writer. Checks it by the contract on Arrow columns, by
the pandera schema that holds data frames (with and without the conversion to a data frame), and by
pandera's own schema for Arrow tables. Prints the median processor time of five and the ratio to the first.
pandera alone would do for pieces if one of these ratios came down to 1.5.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd
import pandera.pyarrow as pandera
import pyarrow as arrow
from nodeday.schemas import TABLES, Column, Table
from nodeday.schemas.compile import pandas_dtype

from nodeday.storage import contract, tables

REPEATS = 5
FRAME = 18
"""Samples in a frame."""
PERIOD_NS = 4_000_000
LOSS = 0.05


def piece(table: Table, rows: int) -> arrow.Table:
    """Rows of one boot, some of whose frames are lost."""
    rng, number = np.random.default_rng(1), np.arange(rows)
    received = (rng.random(rows // FRAME + 1) >= LOSS)[number // FRAME]
    valid = contract.validity(received)
    graded = np.where(received, 0, 3)
    return contract.assemble(
        table,
        {
            "node": contract.constant_column("heart", rows),
            "stream": contract.constant_column("ecg", rows),
            "boot": contract.number_column(np.zeros(rows, np.int32)),
            "seq": contract.number_column(number // FRAME),
            "position": contract.number_column((number % FRAME).astype(np.int16)),
            "utc_ns": contract.number_column(1_784_000_000_000_000_000 + number * PERIOD_NS),
            "origin": contract.code_column(graded, table["origin"]),
            "ecg": contract.number_column(rng.normal(size=rows).astype(np.float32), valid),
            "ecg_raw": contract.number_column(rng.integers(-2000, 2000, rows, np.int32), valid),
            "ecg_quality": contract.code_column(graded, table["ecg_quality"]),
        },
    )


def as_frame(table: Table, rows: arrow.Table) -> pd.DataFrame:
    """The rows in the declared dtypes: without care, an integer column with nulls becomes floats."""
    columns = {}
    for column in table.columns:
        nullable_integers = column.nullable and "int" in column.dtype
        types = {rows[column.name].type: pandas_dtype(column)}.get if nullable_integers else None
        columns[column.name] = rows[column.name].to_pandas(types_mapper=types)
    return pd.DataFrame(columns)


def arrow_pandera(table: Table) -> pandera.DataFrameSchema:
    """The declaration in pandera's schema for Arrow tables; it has no rule on the order of rows."""

    def column(declared: Column) -> pandera.Column:
        checks = [] if declared.ge is None else [pandera.Check.ge(declared.ge)]
        checks += [] if declared.le is None else [pandera.Check.le(declared.le)]
        checks += [] if declared.codes is None else [pandera.Check.isin(list(declared.codes))]
        return pandera.Column(None, checks, nullable=declared.nullable)

    columns = {declared.name: column(declared) for declared in table.columns}
    return pandera.DataFrameSchema(columns, strict=True, ordered=True, unique=list(table.key))


def median_ms(check: Callable[[], object]) -> float:
    """Milliseconds of processor time, after a first call that is not counted."""
    check()
    spent = []
    for _ in range(REPEATS):
        start = time.process_time()
        check()
        spent.append(time.process_time() - start)
    return statistics.median(spent) * 1e3


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    table = TABLES["samples"].for_channels({"ecg": "mV"})
    rows = piece(table, count)
    frame, schema = as_frame(table, rows), arrow_pandera(table)
    assert contract.broken_rule(table, rows) == ""
    ways: dict[str, Callable[[], object]] = {
        "contract on Arrow columns": lambda: contract.broken_rule(table, rows),
        "pandera, conversion included": lambda: tables.validate(table, as_frame(table, rows)),
        "pandera on the data frame": lambda: tables.validate(table, frame),
        "pandera's schema for Arrow tables": lambda: schema.validate(rows),
    }
    spent = {name: median_ms(check) for name, check in ways.items()}
    first = next(iter(spent.values()))
    print(f"A piece of {count} rows of samples, median processor time of {REPEATS}:")
    for name, milliseconds in spent.items():
        print(f"{name:40}{milliseconds:9.1f} ms{milliseconds / first:8.1f} times")


if __name__ == "__main__":
    main()
