"""A question to a whole study, answered by an engine that knows nothing of nodeday.

Run: ``.venv/bin/python benchmarks/query.py [SESSIONS]`` (1000). Writes the ``epochs`` of so many
sessions of 15 hours with the project's own door to Parquet, its columns taken from the contract, and
asks DuckDB for each participant's mean heart rate over epochs of sufficient coverage, and how many
epochs have no value, by reason. The peer is pyarrow's own dataset on the same files, both with 2
threads and files warm. Machines are noisy: read the ratio.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.compute as compute
import pyarrow.dataset as datasets
from nodeday.schemas import TABLES, Column

from nodeday.storage import tables

EPOCHS = 15 * 3600 // 30
EPOCH_NS = 30_000_000_000
SERIES = [
    ("heart", "ecg", "heart_rate_bpm"),
    ("heart", "ecg", "rmssd_ms"),
    ("heart", "ecg", "beats"),
    ("trunk", "acc", "enmo_mg"),
    ("wrist", "acc", "enmo_mg"),
    ("ankle", "acc", "enmo_mg"),
    ("skin", "skin", "mean"),
    ("skin", "skin", "spread"),
]
REPEATS = 5
RATE = """
SELECT participant, avg(value) AS bpm, count(*) AS epochs
FROM read_parquet('{files}', hive_partitioning = true)
WHERE feature = 'heart_rate_bpm' AND value IS NOT NULL AND coverage >= 0.9
GROUP BY participant ORDER BY participant
"""
REASONS = """
SELECT node, reason, count(*) AS epochs
FROM read_parquet('{files}', hive_partitioning = true)
WHERE value IS NULL GROUP BY node, reason ORDER BY node, reason
"""


def epochs(number: int, rng: np.random.Generator) -> pd.DataFrame:
    """A session's epochs, a tenth of them without a value; what the contract asks besides is plain."""
    size = EPOCHS * len(SERIES)
    at = np.tile(np.arange(EPOCHS), len(SERIES))
    start = 1_784_000_000_000_000_000 + number * 86_400_000_000_000 + at * EPOCH_NS
    missing = rng.random(size) < 0.1
    node, channel, feature = (np.repeat(each, EPOCHS) for each in zip(*SERIES, strict=True))
    known = {
        "participant": np.full(size, f"P{number:04d}"),
        "node": node,
        "channel": channel,
        "feature": feature,
        "placement": np.full(size, "chest"),
        "epoch": at,
        "start_ns": start,
        "end_ns": start + EPOCH_NS,
        "value": np.where(missing, np.nan, rng.normal(80, 10, size)),
        "coverage": rng.uniform(0.8, 1, size),
        "reason": np.where(missing, next(iter(TABLES["epochs"]["reason"].codes or ())), None),
    }
    return tables.build(
        TABLES["epochs"],
        {column.name: known.get(column.name, plain(column, size)) for column in TABLES["epochs"].columns},
    )


def plain(column: Column, size: int) -> object:
    """A value that a column of the contract allows, for one that the question does not need."""
    if column.nullable:
        return [None] * size
    if column.codes:
        return [next(iter(column.codes))] * size
    return ["x"] * size if column.dtype in ("name", "text") else [column.ge or 0] * size


def median_s(ask: Callable[[], object]) -> float:
    took = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        ask()
        took.append(time.perf_counter() - start)
    return sorted(took)[REPEATS // 2]


def by_pyarrow(folder: Path) -> dict[str, float]:
    """The first question by the library alone."""
    whole = datasets.dataset(folder, partitioning="hive")
    wanted = (
        (compute.field("feature") == "heart_rate_bpm")
        & compute.field("value").is_valid()
        & (compute.field("coverage") >= 0.9)
    )
    rows = whole.to_table(["participant", "value"], filter=wanted)
    answer = rows.unify_dictionaries().group_by("participant").aggregate([("value", "mean")])
    return dict(zip(answer["participant"].to_pylist(), answer["value_mean"].to_pylist(), strict=True))


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    place, rng = Path(tempfile.mkdtemp(prefix="query-")), np.random.default_rng(8)
    try:
        for number in range(count):
            target = tables.path(place, "epochs", f"S{number:04d}")
            tables.write(target, TABLES["epochs"], epochs(number, rng))
        size = sum(path.stat().st_size for path in place.rglob("*.parquet"))
        print(f"{count} sessions, {count * EPOCHS * len(SERIES):,} rows, {size / 1e6:.0f} MB of Parquet")
        arrow.set_cpu_count(2)
        with duckdb.connect(config={"threads": 2}) as engine:
            files = str(place / "epochs" / "*" / "*.parquet")
            rates = engine.execute(RATE.format(files=files)).fetchall()
            assert len(rates) == count
            peer = by_pyarrow(place / "epochs")
            np.testing.assert_allclose([bpm for _, bpm, _ in rates], [peer[name] for name, _, _ in rates])
            figures = {
                "DuckDB: mean heart rate by participant": median_s(
                    lambda: engine.execute(RATE.format(files=files)).fetchall()
                ),
                "DuckDB: epochs without a value by node and reason": median_s(
                    lambda: engine.execute(REASONS.format(files=files)).fetchall()
                ),
                "pyarrow: mean heart rate by participant": median_s(lambda: by_pyarrow(place / "epochs")),
            }
    finally:
        shutil.rmtree(place)
    for what, seconds in figures.items():
        print(f"{what:<52} {seconds:6.2f} s")
    print("aim: within 1 s")
    Path("benchmarks/query.json").write_text(json.dumps(figures, indent=2) + "\n")


if __name__ == "__main__":
    main()
