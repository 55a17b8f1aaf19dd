"""A trace: steps, each with what it says and the steps it was made of; as a tree for people, and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

FEW = 2
"""Branches of a step that a person is shown, where not all are asked for."""


@dataclass(frozen=True)
class TraceStep:
    """``what`` stands where the cell was made, ``says`` what is written there, ``how`` it was made of
    the steps in ``of``.
    """

    what: str
    says: dict[str, Any] = field(default_factory=dict)
    how: str = ""
    of: tuple[TraceStep, ...] = ()

    def walk(self) -> Iterator[TraceStep]:
        """This step and all behind it."""
        yield self
        for each in self.of:
            yield from each.walk()


def plain(row: Any) -> dict[str, Any]:
    """A row of a table as plain values, null as None, without what no one reads as text."""
    return {str(key): _plain(value) for key, value in row.items() if not isinstance(value, bytes)}


def _plain(value: Any) -> Any:
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return None
    if isinstance(value, np.float32):
        return float(value)
    return value.item() if isinstance(value, np.generic) else value


def as_json(step: TraceStep) -> str:
    return json.dumps(_nested(step), indent=1)


def _nested(step: TraceStep) -> dict[str, Any]:
    out: dict[str, Any] = {"what": step.what, **step.says}
    if step.how:
        out["how"] = step.how
    if step.of:
        out["of"] = [_nested(each) for each in step.of]
    return out


def as_text(step: TraceStep, everything: bool = False) -> str:
    """The trace as a tree, what came up before in short; without ``everything`` just the first branches
    of each step.
    """
    return "\n".join(_lines(step, "", "", None if everything else FEW, set()))


def _lines(step: TraceStep, first: str, rest: str, most: int | None, seen: set[str]) -> Iterator[str]:
    long = {"layout", "counts"} | ({"bytes"} if "layout" in step.says else set())
    head = f"{step.what}  {_words({key: value for key, value in step.says.items() if key not in long})}"
    if step.what in ("frame", "gap", "clock") and head in seen:
        yield f"{first}{head}  (above)"
        return
    seen.add(head)
    yield f"{first}{head}".rstrip()
    shown = step.of if most is None else step.of[:most]
    more = len(step.of) - len(shown)
    bar = "│  " if step.of else "   "
    if step.how:
        yield f"{rest}{bar}{step.how}"
    for line in step.says.get("layout", ()):
        yield f"{rest}{bar}{line}"
    for channel, counts in step.says.get("counts", {}).items():
        yield f"{rest}{bar}counts of {channel}: {' '.join(map(str, counts))}"
    for place, each in enumerate(shown):
        last = place == len(shown) - 1 and not more
        ends = ("└─ ", "   ") if last else ("├─ ", "│  ")
        yield from _lines(each, rest + ends[0], rest + ends[1], most, seen)
    if more:
        yield f"{rest}└─ and {more} more (--all shows them)"


def _words(says: dict[str, Any]) -> str:
    parts = []
    for key, value in says.items():
        if value is None:
            continue
        text = f"{value:.10g}" if isinstance(value, float) else str(value)
        parts.append(f"{key}={text}")
    return " ".join(parts)
