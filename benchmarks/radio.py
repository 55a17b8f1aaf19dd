"""Counts of open radio captures: those of nodeday, beside the truth that each capture holds.

Run: ``NODEDAY_OPEN_DATA=folder .venv/bin/python benchmarks/radio.py``. The truth is counted in plain Python
by ``tests/captures.py``, from the list of transmissions or from network time; it shares no code with the
package. A line for each node. A count that differs from the truth is shown as ``tool/truth``.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from captures import Recording, truth_of
from open_captures import multihop, sub_ghz
from test_captures import COUNTING, MULTIHOP, SUB_GHZ, TICKS, reported, study_of

COLUMNS = ("received", "duplicates", "lost", "late", "boots")


def recordings(folder: Path) -> Iterator[tuple[str, Recording]]:
    """Yield the open captures, each with its name."""
    for ticks in TICKS:
        yield f"multi-hop, ticks {ticks}", multihop(folder / MULTIHOP, ticks)
    for session, recording in sub_ghz(folder / SUB_GHZ)[0].items():
        yield f"sub-GHz, {session}", recording


def compare(name: str, recording: Recording) -> None:
    """Print the counts of each node by the tool and in truth."""
    with tempfile.TemporaryDirectory() as root:
        tool = reported(study_of(Path(root), recording, COUNTING))
    for node, truth in truth_of(recording.log).items():
        true = asdict(truth)
        told = asdict(tool[node]) if node in tool else dict.fromkeys(COLUMNS, 0)
        counts = "".join(f"{_shown(told[column], true[column]):>12}" for column in COLUMNS)
        print(f"{name:26}{node:>5}{counts}")


def _shown(told: int, true: int) -> str:
    return f"{told:,}" if told == true else f"{told:,}/{true:,}"


def main() -> None:
    """Print a line for each node of each capture; exit 1 where the open data is not at hand."""
    folder = os.environ.get("NODEDAY_OPEN_DATA")
    if not folder:
        sys.exit("NODEDAY_OPEN_DATA is not set: name the folder that holds radio/.")
    print(f"{'capture':26}{'node':>5}" + "".join(f"{column:>12}" for column in COLUMNS))
    for name, recording in recordings(Path(folder) / "radio"):
        compare(name, recording)


if __name__ == "__main__":
    main()
