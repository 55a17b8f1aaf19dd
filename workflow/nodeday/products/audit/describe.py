"""Words of an audit: a sentence for each node and battery, a table for all streams."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from nodeday.core.percent import percent
from nodeday.schemas.codes import GAP_CAUSE, NO_TIME_LEFT
from nodeday.stages.loss.minutes import LOST
from nodeday.stages.report.panels import LABEL
from nodeday.storage.shares import frame_loss

FLAG = {
    "holding": "",
    "giving_way": "; GIVING WAY",
    "silent_after_fall": "; SILENT AFTER ITS VOLTAGE FELL",
}
"""What follows the line of a battery, by its state."""
WORD = {cause: cause.replace("_", " ") for cause in GAP_CAUSE}


def duration(seconds: float) -> str:
    """Return a length of time in the largest unit or two that it fills.

    >>> duration(0.08), duration(2.4), duration(360), duration(1620), duration(9000)
    ('0.08 s', '2.4 s', '6 min', '27 min', '2 h 30 min')
    """
    if seconds < 60:
        return f"{seconds:.2g} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return (
        f"{minutes} min"
        if minutes < 60
        else f"{minutes // 60} h" + (f" {m} min" if (m := minutes % 60) else "")
    )


@dataclass(frozen=True)
class Delivered:
    """What a node delivered of a finished session.

    Its coverage (NaN without samples), and the share of the session's time that each cause took of the stream
    with the lowest (empty where no clock leads to UTC).
    """

    coverage: float
    absent: Mapping[str, float]


def verdict(node: str, rows: pd.DataFrame, gaps: pd.DataFrame, delivered: Delivered | None = None) -> str:
    """Return one line on a node from its rows of ``radio``, the session's ``gaps`` and what it delivered."""
    received = int(rows["received"].sum())
    if not received:
        return f"{node}: no frame received"
    covered = delivered is not None and delivered.coverage == delivered.coverage
    parts = [f"coverage {percent(delivered.coverage)}"] if delivered is not None and covered else []
    parts.append(f"frame loss {percent(frame_loss(int(rows[LOST].to_numpy().sum()), received))}")
    runs = int(rows["runs"].sum())
    if runs:
        mean = (rows["mean_run_frames"] * rows["runs"]).sum() / runs
        parts.append(f"bursts of {mean:.1f} frame{'' if f'{mean:.1f}' == '1.0' else 's'} on average")
    longest = float(rows["longest_gap_s"].max())
    if longest > 0:
        parts.append(f"longest hole {duration(longest)}")
    why = [_by_time(delivered.absent) if delivered is not None and delivered.absent else _by_frames(rows)]
    why += _uncounted(gaps[gaps["node"] == node])
    conflicts = int(rows["conflicts"].sum())
    if conflicts:
        why.append(f"{conflicts} conflicting cop{'ies' if conflicts > 1 else 'y'}")
    return f"{node}: {', '.join(parts)}; {'; '.join(why)}"


def _by_time(absent: Mapping[str, float]) -> str:
    """Return what a stream's samples are absent for, as shares of the session's time."""
    parts = [f"{LABEL[cause]} {percent(share)}" for cause, share in absent.items() if share]
    return f"absent of the session: {', '.join(parts)}" if parts else "nothing is missing"


def _by_frames(rows: pd.DataFrame) -> str:
    """Return why frames that the counter tells of were lost."""
    lost = {cause: int(rows[f"lost_{cause}"].sum()) for cause in GAP_CAUSE}
    found = {cause: count for cause, count in lost.items() if count}
    if not found:
        return "no frame that can be counted is lost"
    if list(found) == ["unknown"]:
        return "nothing tells why frames were lost"
    total = sum(found.values())
    shares = [f"{WORD[cause]} {percent(count / total, 0)}" for cause, count in found.items()]
    return f"of the frames lost: {', '.join(shares)}"


def _uncounted(gaps: pd.DataFrame) -> list[str]:
    """Return how many gaps of a node no counter measures, with their causes."""
    unknown = gaps.loc[gaps["extent"] == "unknown", "cause"].value_counts()
    names = ", ".join(WORD[str(cause)] for cause, count in unknown.items() if count)
    count = int(unknown.sum())
    return [f"{count} gap{'s' * (count > 1)} whose frames cannot be counted ({names})"] if count else []


def battery(row: Mapping[Hashable, Any], empty_v: float) -> str:
    """Return one line on a node's battery, from its row of ``battery``."""
    course = f"{row['node']}: battery {row['first_v']:.2f} V, at the end {row['last_v']:.2f} V"
    left = (
        f"about {row['left_h']:.0f} h left to {empty_v:g} V, or less"
        if row["left_h"] >= 1
        else (
            f"less than an hour left to {empty_v:g} V"
            if row["left_h"] >= 0
            else NO_TIME_LEFT[row["left_reason"]]
        )
    )
    return f"{course}; {left}{FLAG[row['state']]}"


def fields(rows: pd.DataFrame) -> list[str]:
    """Return a line for each field of each stream, from rows of table ``fields``.

    Each value stands with the frames received with it, and the share of them behind which a loss begins.
    """
    lines = []
    for (node, stream, name), own in rows.groupby(["node", "stream", "field"], observed=True, sort=False):
        parts = [
            f"{row['value']}: {row['received']} ({'-' if pd.isna(row['p']) else percent(row['p'], 0)})"
            for row in own.to_dict("records")
        ]
        lines.append(f"{node}/{stream} {name}  {', '.join(parts)}")
    return lines


def table(rows: pd.DataFrame) -> str:
    """Return streams as aligned columns; causes without a lost frame anywhere are left out."""
    causes = [cause for cause in GAP_CAUSE if rows[f"lost_{cause}"].any()]
    head = ["node", "stream", "expected", "received", "recovered"]
    head += [f"lost: {WORD[cause]}" for cause in causes]
    head += ["of unknown length", "frame loss", "longest hole", "mean burst", "p", "r", "burst ratio"]
    head += ["duplicates", "conflicts", "late", "worst minute"]
    body = [
        [
            row["node"],
            row["stream"],
            *(f"{row[name]}" for name in ("expected", "received", "recovered")),
            *(f"{row[f'lost_{cause}']}" for cause in causes),
            f"{row['unknown_gaps']}",
            percent(frame_loss(row["expected"] - row["received"], row["received"])),
            duration(row["longest_gap_s"]),
            _number(row["mean_run_frames"], 1),
            _band(row["p"], row["p_low"], row["p_high"]),
            _band(row["r"], row["r_low"], row["r_high"]),
            _number(row["burst_ratio"], 2),
            *(f"{row[name]}" for name in ("duplicates", "conflicts", "late")),
            row["worst_minute"],
        ]
        for row in rows.to_dict("records")
    ]
    return "\n\n".join(
        _aligned([[row[at] for at in part] for row in [head, *body]])
        for part in _parts(len(causes), len(head))
    )


def _parts(causes: int, columns: int) -> list[list[int]]:
    """Columns of two tables that fit a terminal: what was lost and why, then how it clusters."""
    cut = 8 + causes
    return [[*range(cut - 1), *range(columns - 4, columns)], [0, 1, *range(cut - 1, columns - 4)]]


def _aligned(rows: list[list[str]]) -> str:
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    return "\n".join(
        "  ".join(
            cell.ljust(width) if at < 2 else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    )


def _number(value: float, digits: int) -> str:
    return "-" if pd.isna(value) else f"{value:.{digits}f}"


def _band(value: float, low: float, high: float) -> str:
    return "-" if pd.isna(value) else f"{value:.4f} ({low:.4f} to {high:.4f})"
