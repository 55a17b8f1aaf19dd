"""Tables ``radio``, ``bursts``, ``signal`` and ``fields``: losses of a session, stream by stream."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.core.arrays import Bools, Ints
from nodeday.schemas.codes import GAP_CAUSE
from nodeday.stages.loss import burst
from nodeday.stages.loss.burst import Stretches
from nodeday.stages.loss.fields import by_field
from nodeday.stages.loss.gaps import inside, joined
from nodeday.stages.loss.minutes import LOST, WIDTH, neighbours, table_rows
from nodeday.stages.loss.streams import SessionFrames, StreamFrames

ON_AIR = ("radio", "listed")
"""Causes that count as loss on the air: what is not known to be otherwise."""
Frames = dict[str, pd.DataFrame]
Rows = dict[str, list[dict[str, Any]]]


def of_stream(own: StreamFrames, gaps: pd.DataFrame, session: SessionFrames) -> Rows:
    """Rows of the four tables, by name, of a stream with these ``gaps``."""
    known = gaps[gaps["extent"] == "known"]
    within, names = stretches(own, known, _uncounted(own, gaps)), {"node": own.node, "stream": own.stream}
    runs = known.groupby(joined(known))["frames"].sum().to_numpy(np.int64)
    longest_s = _longest_s(own, runs, gaps, session)
    on_air = inside(own, known[known["cause"] == "radio"])
    return {
        "radio": [
            {**names, **_counts(own, gaps, runs), **_clusters(own, within), "longest_gap_s": longest_s}
        ],
        "bursts": [{**names, **row} for row in _lengths(within)],
        "signal": [{**names, **row} for row in _signal(own, on_air)],
        "fields": [{**names, **row} for row in by_field(own, laid_out(own, known).at, within)],
    }


def _uncounted(own: StreamFrames, gaps: pd.DataFrame) -> pd.DataFrame:
    """Gaps of unknown length inside boots."""
    unknown = gaps[gaps["extent"] == "unknown"]
    tails = np.append(np.flatnonzero(np.diff(own.boot)), len(own.boot) - 1)
    last = own.seq[tails][np.searchsorted(own.boot[tails], unknown["boot"].to_numpy(np.int64))]
    inside: Bools = unknown["seq_from"].to_numpy(np.int64) <= last
    return unknown[inside]


def stretches(own: StreamFrames, known: pd.DataFrame, uncounted: pd.DataFrame) -> Stretches:
    """What was counted on without a break, boots laid end to end so that numbers rise.

    Outages, joint silences and what the counter does not count end a stretch; ``uncounted`` are gaps of
    unknown length inside boots. What a transmit list has at the edges of a boot belongs to it::

        boot 0    . . X . . [outage) . X X . |  boot 1   . . X .
        stretch   |  first |         |second |           | third |
    """
    laid = laid_out(own, known)
    cause = known["cause"].to_numpy(object)

    def moved(rows: pd.DataFrame, name: str) -> Ints:
        boot = np.searchsorted(laid.boot, rows["boot"].to_numpy(np.int64))
        return np.asarray(rows[name].to_numpy(np.int64) + laid.shift[boot], np.int64)

    first, stop = moved(known, "seq_from"), moved(known, "seq_to")
    cut = moved(uncounted, "seq_from")
    air = np.isin(cause, ON_AIR)
    start = np.sort(np.concatenate([laid.start, stop[~air], cut]))
    end = np.sort(np.concatenate([laid.end, first[~air], cut]))
    return Stretches(start, end, first[air], stop[air])


@dataclass(frozen=True)
class LaidOut:
    """Boots (b,) laid end to end: number n of a boot lies at n + ``shift``, its own in [start, end).

    ``at`` (n,) is where each received frame lies. A number is left out between boots.
    """

    boot: NDArray[np.int32]
    shift: Ints
    start: Ints
    end: Ints
    at: Ints


def laid_out(own: StreamFrames, known: pd.DataFrame) -> LaidOut:
    """Return the boots of a stream end to end, with what gaps of ``known`` length have at their edges."""
    heads = np.flatnonzero(np.diff(own.boot, prepend=-1) != 0)
    tails = np.append(heads[1:], len(own.boot)) - 1
    low, high = own.seq[heads].copy(), own.seq[tails] + 1
    boot = np.searchsorted(own.boot[heads], known["boot"].to_numpy(np.int64))
    np.minimum.at(low, boot, known["seq_from"].to_numpy(np.int64))
    np.maximum.at(high, boot, known["seq_to"].to_numpy(np.int64))
    length = high - low
    shift = np.cumsum(length + 1) - (length + 1) - low
    at = own.seq + np.repeat(shift, np.diff(heads, append=len(own.seq)))
    return LaidOut(own.boot[heads], shift, low + shift, high + shift, at)


def _counts(own: StreamFrames, gaps: pd.DataFrame, runs: Ints) -> dict[str, int]:
    """Frames of one stream by what became of them; ``runs`` are the lengths of its gaps, causes aside."""
    lost = gaps[gaps["extent"] == "known"].groupby("cause", observed=False)["frames"].sum()
    by_cause = {name: int(lost[cause]) for name, cause in zip(LOST, GAP_CAUSE, strict=True)}
    return {
        "expected": len(own.seq) + sum(by_cause.values()),
        "received": len(own.seq),
        "recovered": int(own.recovered.sum()),
        **by_cause,
        "unknown_gaps": int((gaps["extent"] == "unknown").sum()),
        "duplicates": len(own.copy_run),
        "conflicts": int(own.copy_conflict.sum()),
        "late": int(own.stands_as("late").sum()),
        "inconsistent": int(own.stands_as("inconsistent").sum()),
        "longest_gap_frames": int(runs.max(initial=0)),
    }


def _longest_s(own: StreamFrames, runs: Ints, gaps: pd.DataFrame, session: SessionFrames) -> float:
    """Longest hole in seconds.

    That is frames times period inside boots, and time between stamps where their number is not known.
    Across a restart of the hub only host marks show it; without them, nothing is guessed.
    """
    period = own.pace.period_s
    holes = [float(runs.max(initial=0)) * period]
    unknown = gaps[(gaps["extent"] == "unknown") & gaps["after_hub_ns"].notna()]
    across = unknown["reason"].isin(["hub_restart", "hub_or_nodes"])
    timed = unknown[~across]
    waits = timed["after_hub_ns"].to_numpy(np.int64) - timed["before_hub_ns"].to_numpy(np.int64)
    holes += [wait / 1e9 - period for wait in waits.tolist()]
    for boot in unknown.loc[across, "boot"]:
        at = int(np.searchsorted(own.boot, boot, side="right")) - 1
        ends = [own.hub.utc_of(int(own.run[k]), int(own.on_at(k)), int(own.hub_ns[k])) for k in (at, at + 1)]
        if ends[0] is not None and ends[1] is not None:
            holes.append((ends[1] - ends[0]) / 1e9 - period)
    if (gaps["reason"] == "nothing_after").any():
        holes.append((session.last_ns - int(own.on_at(-1))) / 1e9)
    return float(max(holes))


def _clusters(own: StreamFrames, within: Stretches) -> dict[str, Any]:
    """How the losses on the air of one stream cluster."""
    n00, n01, n10, n11 = within.transitions()
    model, spread = burst.gilbert_from(n00, n01, n10, n11), burst.burst_gap(within)
    length, period = within.stop - within.first, own.pace.period_s
    loss = within.lost / within.expected if within.expected else np.nan
    mean = float(length.mean()) if len(length) else np.nan
    p, r = burst.interval(n01, n00 + n01), burst.interval(n10, n10 + n11)
    return {
        "period_s": period,
        "radio_loss": loss,
        "runs": len(length),
        "mean_run_frames": mean,
        "longest_run_frames": int(length.max(initial=0)),
        "burst_ratio": mean * (1 - loss),
        "p": model.p,
        "p_low": p[0],
        "p_high": p[1],
        "r": model.r,
        "r_low": r[0],
        "r_high": r[1],
        "expected_loss": model.loss,
        "bursts": len(spread.lengths),
        "burst_frames": int(spread.lengths.sum()),
        "burst_lost": spread.burst_lost,
        "burst_density": spread.burst_density,
        "gap_density": spread.gap_density,
        "burst_s": spread.burst_frames * period,
        "burst_sd_s": spread.burst_sd_frames * period,
        "gap_s": spread.mean_gap_frames * period,
    }


def _lengths(within: Stretches) -> Iterator[dict[str, int]]:
    for length, count in zip(*np.unique(within.stop - within.first, return_counts=True), strict=True):
        yield {"length": int(length), "count": int(count)}


def _signal(own: StreamFrames, on_air: pd.DataFrame) -> Iterator[dict[str, Any]]:
    edges = [on_air[name].to_numpy(np.int64) for name in ("boot", "seq_from", "seq_to")]
    frames = on_air["frames"].to_numpy(np.int64)
    for measure in WIDTH:
        values = own.measured(measure)
        lost = np.repeat(neighbours(own.boot, own.seq, values, *edges), frames)
        yield from table_rows(measure, values, lost)
