"""Steps of a trace, each with its values and the steps it was made of; a tree for people, or JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

FEW = 2
"""Branches of a step that a person is shown, where not all are asked for."""


@dataclass(frozen=True)
class TraceStep:
    """A step: ``what`` it is, its ``values``, and ``how`` it was made of the steps in ``of``.

    A frame with its bytes has in ``layout`` a line for each field, and in ``counts`` its counts by channel.
    """

    what: str
    values: Mapping[str, Any] = field(default_factory=dict)
    how: str = ""
    of: tuple[TraceStep, ...] = ()
    layout: tuple[str, ...] = ()
    counts: Mapping[str, list[int]] = field(default_factory=dict)

    def walk(self) -> Iterator[TraceStep]:
        """Yield this step and all behind it."""
        yield self
        for step in self.of:
            yield from step.walk()


def plain(row: Any) -> dict[str, Any]:
    """Return a row of a table as plain values, null as None, without bytes, which nobody reads as text."""
    return {str(key): _plain(value) for key, value in row.items() if not isinstance(value, bytes)}


def _plain(value: Any) -> Any:
    value = value.item() if isinstance(value, np.generic) else value
    return None if value is None or value is pd.NA or value != value else value


def as_json(step: TraceStep) -> str:
    """Return the trace as JSON, steps nested under ``of``."""
    return json.dumps(_nested(step), indent=1)


def _nested(step: TraceStep) -> dict[str, Any]:
    out: dict[str, Any] = {"what": step.what, **step.values}
    if step.layout:
        out["layout"] = step.layout
    if step.counts:
        out["counts"] = step.counts
    if step.how:
        out["how"] = step.how
    if step.of:
        out["of"] = [_nested(inner) for inner in step.of]
    return out


def as_text(step: TraceStep, everything: bool = False) -> str:
    """Return the trace as a tree; what came up before is in short.

    Without ``everything`` only the first branches of each step are shown.
    """
    return "\n".join(_lines(step, "", "", None if everything else FEW, set()))


def _lines(step: TraceStep, first: str, rest: str, most: int | None, seen: set[str]) -> Iterator[str]:
    hidden = "bytes" if step.layout else None  # the lines of the layout show them
    head = f"{step.what}  {_words({key: value for key, value in step.values.items() if key != hidden})}"
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
    for line in step.layout:
        yield f"{rest}{bar}{line}"
    for channel, counts in step.counts.items():
        yield f"{rest}{bar}counts of {channel}: {' '.join(map(str, counts))}"
    for index, inner in enumerate(shown):
        last = index == len(shown) - 1 and not more
        ends = ("└─ ", "   ") if last else ("├─ ", "│  ")
        yield from _lines(inner, rest + ends[0], rest + ends[1], most, seen)
    if more:
        yield f"{rest}└─ and {more} more (--all shows them)"


def _words(values: Mapping[str, Any]) -> str:
    parts = []
    for key, value in values.items():
        if value is None:
            continue
        text = f"{value:.10g}" if isinstance(value, float) else str(value)
        parts.append(f"{key}={text}")
    return " ".join(parts)
