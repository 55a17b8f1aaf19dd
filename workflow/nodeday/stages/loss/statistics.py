"""Tables ``radio``, ``bursts``, ``signal`` and ``fields``: losses of a session, stream by stream."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from nodeday.core.arrays import Bools, Ints
from nodeday.schemas.codes import GAP_CAUSE, ON_AIR
from nodeday.stages.loss import burst
from nodeday.stages.loss.burst import Stretches
from nodeday.stages.loss.fields import by_field
from nodeday.stages.loss.gaps import between_frames, joined
from nodeday.stages.loss.minutes import LOST, WIDTH, left_of, neighbours, table_rows
from nodeday.stages.loss.part import StreamPart, counted_within
from nodeday.stages.loss.streams import SessionFrames, StreamFrames
from nodeday.storage.session_cut import BootNumbers

Frames = dict[str, pd.DataFrame]
Rows = dict[str, list[dict[str, Any]]]


def of_stream(part: StreamPart, session: SessionFrames) -> Rows:
    """Rows of the four tables, by name, of the part of a stream that is in the session."""
    own, gaps = part.inside, part.kept
    known = gaps[gaps["extent"] == "known"]
    laid, names = laid_out(own.numbers, known), {"node": own.node, "stream": own.stream}
    within = stretches(laid, known, _uncounted(own, gaps))
    runs = known.groupby(joined(known))["frames"].sum().to_numpy(np.int64)
    longest_s = _longest_s(part, runs, session)
    return {
        "radio": [
            {**names, **_counts(own, gaps, runs), **_clusters(own, within), "longest_gap_s": longest_s}
        ],
        "bursts": [{**names, **row} for row in _lengths(within)],
        "signal": [{**names, **row} for row in _signal(part)],
        "fields": [{**names, **row} for row in by_field(own, laid.at(own.boot, own.seq), within)],
    }


def _uncounted(own: StreamFrames, gaps: pd.DataFrame) -> pd.DataFrame:
    """Gaps of unknown length inside boots."""
    unknown = gaps[gaps["extent"] == "unknown"]
    first, stop = own.numbers.limits(unknown["boot"].to_numpy(np.int64))
    number = unknown["seq_from"].to_numpy(np.int64)
    inside: Bools = (number > first) & (number < stop)
    return unknown[inside]


def stretches(laid: LaidOut, known: pd.DataFrame, uncounted: pd.DataFrame) -> Stretches:
    """What was counted on without a break, boots laid end to end so that numbers rise.

    Outages, joint silences and what the counter does not count end a stretch; ``uncounted`` are gaps of
    unknown length inside boots. What a transmit list has at the edges of a boot belongs to it::

        boot 0    . . X . . [outage) . X X . |  boot 1   . . X .
        stretch   |  first |         |second |           | third |
    """
    cause = known["cause"].to_numpy(object)
    first, stop = (laid.at(known["boot"], known[name].to_numpy(np.int64)) for name in ("seq_from", "seq_to"))
    cut = laid.at(uncounted["boot"], uncounted["seq_from"].to_numpy(np.int64))
    air = np.isin(cause, ON_AIR)
    start = np.sort(np.concatenate([laid.start, stop[~air], cut]))
    end = np.sort(np.concatenate([laid.end, first[~air], cut]))
    return Stretches(start, end, first[air], stop[air])


@dataclass(frozen=True)
class LaidOut:
    """Boots (b,) laid end to end: number n of a boot lies at n + ``shift``, its own in [start, end).

    A number is left out between boots.
    """

    boot: Ints
    shift: Ints
    start: Ints
    end: Ints

    def at(self, boot: Any, seq: Ints) -> Ints:
        """Return where numbers ``seq`` (n,) of ``boot`` (n,) lie, (n,)."""
        return np.asarray(seq + self.shift[np.searchsorted(self.boot, np.asarray(boot, np.int64))], np.int64)


def laid_out(numbers: BootNumbers, known: pd.DataFrame) -> LaidOut:
    """Return the boots of a stream end to end, with what gaps of ``known`` length have at their edges."""
    low, high = numbers.first.copy(), numbers.stop.copy()
    boot = np.searchsorted(numbers.boot, known["boot"].to_numpy(np.int64))
    np.minimum.at(low, boot, known["seq_from"].to_numpy(np.int64))
    np.maximum.at(high, boot, known["seq_to"].to_numpy(np.int64))
    length = high - low
    shift = np.cumsum(length + 1) - (length + 1) - low
    return LaidOut(numbers.boot, shift, low + shift, high + shift)


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
        "boot_returns": own.boot_returns,
        "longest_gap_frames": int(runs.max(initial=0)),
    }


def _longest_s(part: StreamPart, runs: Ints, session: SessionFrames) -> float:
    """Longest hole in seconds, as far as it is in the session.

    That is frames times period inside boots, and time between stamps where their number is not known.
    Across a restart of the hub only host marks show it; without them, nothing is guessed.
    """
    own, gaps, period = part.own, part.kept, part.own.periods_s[-1]
    holes = [float(runs.max(initial=0)) * period]
    if len(own.periods_s) > 1:
        holes = [_longest_by_stamps(part)]
    unknown = gaps[(gaps["extent"] == "unknown") & gaps["after_hub_ns"].notna()]
    across = unknown["reason"].isin(["hub_restart", "hub_or_nodes"]).to_numpy()
    waits = (unknown["after_hub_ns"].to_numpy(np.int64) - unknown["before_hub_ns"].to_numpy(np.int64)) / 1e9
    left = left_of(own, *(unknown[name].to_numpy(np.int64) for name in ("boot", "seq_from")))
    for at, by_marks, wait in zip(left.tolist(), across.tolist(), waits.tolist(), strict=True):
        long_s = part.apart_s(at) if by_marks else wait
        if long_s is not None:
            holes.append(long_s - period - part.outside_s(at, session.cut))
    if (gaps["reason"] == "nothing_after").any():
        holes.append((session.last_ns - int(own.on_at(-1))) / 1e9)
    return float(max(holes))


def _longest_by_stamps(part: StreamPart) -> float:
    """Return the longest gap of known length in seconds, for a stream of several periods.

    The time between the frames around a gap is shared out evenly among its frames.
    """
    own = part.own
    known = between_frames(own, part.kept[part.kept["extent"] == "known"])
    boot, first, frames = (known[name].to_numpy(np.int64) for name in ("boot", "seq_from", "frames"))
    left = left_of(own, boot, first)
    apart_s = (own.on_at(left + 1) - own.on_at(left)) / 1e9
    return float((apart_s * frames / (own.seq[left + 1] - own.seq[left])).max(initial=0.0))


def _clusters(own: StreamFrames, within: Stretches) -> dict[str, Any]:
    """How the losses on the air of one stream cluster."""
    n00, n01, n10, n11 = within.transitions()
    model, spread = burst.gilbert_from(n00, n01, n10, n11), burst.burst_gap(within)
    length, periods = within.stop - within.first, own.periods_s
    period = periods[0] if len(periods) == 1 else np.nan
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


def _signal(part: StreamPart) -> Iterator[dict[str, Any]]:
    for measure in WIDTH:
        gaps = signal_of_gaps(part, measure)
        lost = np.repeat(gaps["signal"].to_numpy(np.float64), gaps["frames"].to_numpy(np.int64))
        yield from table_rows(measure, part.inside.measured(measure), lost)


def signal_of_gaps(part: StreamPart, measure: str) -> pd.DataFrame:
    """Return the losses on the air between frames: boot, first number, lost frames in the session, signal.

    The signal is the mean of the received neighbours' in the capture, nan where none was measured.
    """
    gaps = part.gaps
    on_air = gaps[(gaps["extent"] == "known") & (gaps["cause"] == "radio")]
    edges = [on_air[name].to_numpy(np.int64) for name in ("boot", "seq_from", "seq_to")]
    first, stop = counted_within(on_air, part.inside.numbers)
    signal = neighbours(part.own.boot, part.own.seq, part.own.measured(measure), *edges)
    columns = {"boot": edges[0], "seq_from": first, "frames": stop - first, "signal": signal}
    return pd.DataFrame(columns)[stop > first]
