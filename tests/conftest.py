"""What several test files need: valid rows of every table, small studies, the demo's layout."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as arrow
import pytest
from hypothesis import settings
from nodeday.schemas import TABLES, Column, Table
from nodeday.schemas.compile import arrow_schema

from nodeday.cli.init.folder import copy_settings
from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import errors
from nodeday.core.paths import DEMO_CONFIG
from nodeday.layouts import Layout, load_layout
from nodeday.stages.frames.decode import Decoder
from nodeday.stages.frames.rejects import Reject
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.validate import Spoken
from nodeday.storage import frame_writer, frames, provenance, samples, tables

# The gate tries the same examples each time; a developer's run looks for new ones.
settings.register_profile("gate", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("gate")

# A shell without job control starts what runs in the background with Ctrl-C ignored, and all that it starts.
signal.signal(signal.SIGINT, signal.default_int_handler)

ROOT = Path(__file__).parents[1]
CONFIG = ROOT / "config"
CRYSTALS = """
nodes:
  hub: {crystal: {ppm: 4}}
  heart: {streams: [ecg], crystal: {ppm: 21}}
  trunk: {streams: [acc], crystal: {ppm: -13}}
  wrist: {streams: [acc], crystal: {ppm: 35}}
  ankle: {streams: [acc], crystal: {ppm: -27}}
  skin: {streams: [temp], crystal: {ppm: 8}}
"""
"""The nodes of a scenario."""


FINISHED = ("S01-clean", "S02-lossy")
FINISHED_SCENARIO = """
seed: 7
sessions:
  S01-clean:
    start: 2026-07-14T05:00:00Z
    phases: [{phase: rest, minutes: 2, bpm: 64}, {phase: harvest, minutes: 2, bpm: 100, gait: 0.6}]
    channel: {loss: 0.05, burst: 4, duplicates: 0.01, late: 0.01, corrupt: 0.005}
    restarts: [{node: wrist, at_min: 2.5, silent_s: 5}]
  S02-lossy:
    start: 2026-07-15T06:00:00Z
    phases: [{phase: rest, minutes: 3, bpm: 70}]
    channel: {loss: 0.1, burst: 5}
    outages: [{at_min: 1, minutes: 0.5}]
"""
"""What :func:`finished_study` is made of."""


def whole(name: str) -> Table:
    """The table ``name``, with its template columns written out for one channel."""
    table = TABLES[name]
    return table.for_channels({"heart_ecg": "mV"}) if table.template else table


def samples_in(
    study: Study | Path, session: str, node: str, stream: str, channel: str | None = None
) -> pd.DataFrame:
    """Table ``samples`` of a node's stream; of one ``channel`` as ``value``, ``raw`` and ``quality``."""
    study = Study(study) if isinstance(study, Path) else study
    kind = study.layout_of(session, node).stream(stream)
    return samples.read(study.results, session, node, kind, channel=channel)


def put_samples(study: Study, session: str, node: str, stream: str, columns: dict[str, Any]) -> None:
    """Write a node's stream into table ``samples``, whose columns but node and stream are given."""
    kind = study.layout_of(session, node).stream(stream)
    n, table = len(columns["utc_ns"]), samples.table_of(kind)
    who: dict[str, Any] = {"node": np.full(n, node, object), "stream": np.full(n, stream, object)}
    who["rate_hz"] = np.full(n, kind.rate_hz or 1.0)
    target = samples.path(samples.folder(study.results, session), node, kind)
    tables.write(target, table, tables.build(table, who | columns))


def valid_value(column: Column, row: int) -> Any:
    """A value that ``column`` allows, another one for each ``row`` where its dtype can tell rows apart."""
    if column.codes is not None:
        return next(iter(column.codes))
    if column.dtype in ("name", "text"):
        return f"{column.name}{row}"
    if column.dtype == "binary":
        return bytes([row])
    least = 0 if column.ge is None else column.ge
    most = least + 100 if column.le is None else column.le
    value = least + (most - least) * (row + 1) / 100
    return value if "float" in column.dtype else int(value) if column.ge is not None else row


def valid_rows(table: Table, count: int = 3) -> pd.DataFrame:
    """``count`` rows that meet every rule of ``table``. All are of one group (one node, one boot),
    so that rules across rows are put to the test; the ordered column and a key column tell them apart.
    """
    columns = {c.name: [valid_value(c, row) for row in range(count)] for c in table.columns}
    for name in table.within:
        columns[name] = columns[name][:1] * count
    for _, reason in table.either_or:
        columns[reason] = [None] * count  # each row has the value
    return tables.build(table, columns)


def put(frame: pd.DataFrame, column: str, value: Any, row: int = 1) -> pd.DataFrame:
    """A copy with one cell changed, its dtype kept."""
    changed = frame.copy()
    values = changed[column].tolist()
    values[row] = value
    changed[column] = pd.Series(values, dtype=frame[column].dtype)
    return changed


def stored(results: Path, name: str, session: str) -> pd.DataFrame:
    """A table of a session, frames of all streams in order of capture."""
    if name == "frames":
        return frames.table(results, session)
    return tables.read(tables.path(results, name, session), name)


def store_frames(results: Path, session: str, rows: pd.DataFrame | dict[str, Any]) -> None:
    """Write table ``frames`` of a session from rows in order of capture, as stage `frames` would."""
    table = TABLES["frames"]
    numbered = tables.build(
        table, {**{name: rows[name] for name in rows}, "row": np.arange(len(rows["node"]))}
    )
    with frame_writer.writing(results, session) as out:
        out.write(arrow.Table.from_pandas(numbered, preserve_index=False).cast(arrow_schema(table)))


def without_records(study: Path, folder: Path, *left_out: str) -> Path:
    """A copy of a study without the records of its jobs, so that a test may alter its tables."""
    ignored = shutil.ignore_patterns(provenance.FOLDER, *left_out)
    return Path(shutil.copytree(study, folder, ignore=ignored))


def simulated(folder: Path, scenario: str) -> Path:
    """The demo's settings in ``folder`` with another scenario, its captures simulated."""
    copy_settings(folder, DEMO_CONFIG, scenario=False)
    (folder / "config" / "scenario.yaml").write_text(scenario + CRYSTALS)
    assert main(["simulate", "--study", str(folder)]) == errors.GOOD
    return folder


def decode(
    raw: bytes, layout: Layout, names: dict[int, str], piece: int = 1 << 20
) -> tuple[pd.DataFrame, list[Reject]]:
    """Frames and rejects of a capture that comes in pieces."""
    decoder, rows, rejects = Decoder([layout], names), [], []
    spoken = [Spoken(layout, np.array(sorted(names)))]
    for block in scan((raw[at : at + piece] for at in range(0, len(raw), piece)), spoken):
        found = decoder.decode(block)
        rows.append(found.frames)
        rejects += found.rejects
    return arrow.concat_tables(rows).to_pandas() if rows else pd.DataFrame(), rejects


@pytest.fixture(scope="session")
def beltframe() -> Layout:
    """The demo's layout."""
    return load_layout(CONFIG / "layouts" / "beltframe.yaml")


@pytest.fixture(scope="session")
def finished_study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A simulated study of two sessions, run by the workflow on two cores; a third session has no capture.
    Not to be written to."""
    folder = simulated(tmp_path_factory.mktemp("one") / "study", FINISHED_SCENARIO)
    command = [sys.executable, "-m", "nodeday", "run", "--cores", "2", "--study", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == errors.USAGE, done.stderr + done.stdout
    return folder


def small_study(folder: Path, **files: str) -> Path:
    """A study in ``folder``: one session ``S1`` with a capture, files of ``config/`` replaced by keyword."""
    config = folder / "config"
    shutil.copytree(CONFIG / "layouts", config / "layouts")
    texts = {
        "study.yaml": "study: trial\nzone: Europe/Madrid\n",
        "participants.tsv": "participant\tage_years\tresting_bpm\nP1\t40\t60\n",
        "sessions.tsv": "session\tparticipant\tcaptures\tlayout\nS1\tP1\tcaptures/S1.bin\tbeltframe\n",
        "nodes.tsv": "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\theart\t16\tchest\n",
        "events.tsv": "session\tphase\tstart\tend\n",
    } | files
    for name, text in texts.items():
        (config / name).write_text(text, encoding="utf-8")
    (folder / "captures").mkdir()
    (folder / "captures" / "S1.bin").write_bytes(b"\xd3\x91")
    return folder


@pytest.fixture
def study_folder(tmp_path: Path) -> Callable[..., Path]:
    """A maker of small studies: ``study_folder(**{"nodes.tsv": "..."})``, see :func:`small_study`."""
    return partial(small_study, tmp_path)
