"""Transmit lists as a lab would write them, and what they tell, in plain Python without the package."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from itertools import groupby, pairwise
from pathlib import Path

from captures import START


@dataclass(frozen=True)
class Sent:
    """A frame as it was sent at ``at_s`` since START: ``arrived`` tells whether it was received."""

    node: str
    counter: int
    at_s: float
    arrived: bool


def instant(at_s: float) -> str:
    """Return an instant as ISO 8601 in UTC."""
    return f"{(START + timedelta(seconds=at_s)).isoformat(timespec='microseconds').removesuffix('+00:00')}Z"


def write(root: Path, session: str, rows: list[Sent], stream: str = "") -> Path:
    """Write the transmit list of a session."""
    path = root / "config" / "sent" / f"{session}.csv"
    path.parent.mkdir(exist_ok=True)
    head, tail = (",stream", f",{stream}") if stream else ("", "")
    lines = [
        f"node,counter,time{head}",
        *(f"{one.node},{one.counter},{instant(one.at_s)}{tail}" for one in rows),
    ]
    path.write_text("\n".join(lines) + "\n")
    return path


def statistics(arrived: list[bool]) -> tuple[float, float, float, float]:
    """Return mean run, burst ratio, and Gilbert's p and r of a list, losses at its ends included.

    p is the share of received frames before a loss, r that of lost frames before a received one, of all
    that have a next one; the burst ratio is the mean run times the share received.
    """
    runs = [len(list(part)) for came, part in groupby(arrived) if not came]
    pairs = list(pairwise(arrived))
    p, r = (
        sum(before == state and after != state for before, after in pairs)
        / sum(before == state for before, _ in pairs)
        for state in (True, False)
    )
    mean = sum(runs) / len(runs)
    return mean, mean * sum(arrived) / len(arrived), p, r
