"""Nodes on their own clocks: when they run and sample, and the counts that their frames carry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nodeday.core.arrays import Floats, Ints
from nodeday.layouts import Field, Kind, instant_of
from nodeday.stages.simulate.crystal import CrystalClock
from nodeday.stages.simulate.plan_parts import Pauses

Source = Callable[[Ints, Floats], Floats]
"""Signal of a stream: (numbers of samples (n,), true seconds (n,)) to physical values (n, channels)."""

FULL_V, USED_V, LOW_V, EMPTY_V = 4.10, 0.30, 3.75, 3.0


@dataclass(frozen=True)
class Sent:
    """Frames of a stream in the order in which the node made them, (n,) each.

    ``boot`` is the number of the boot; ``seq`` and ``ticks`` count from its start without wrapping.
    ``stamp_s``, ``sent_s`` and ``start_s`` are the true seconds of the tick stamp, of sending (later
    where a frame waits) and of the boot's start. ``first`` numbers the frame's first sample over the
    session, ``sample0`` within the boot.
    """

    boot: NDArray[np.int32]
    seq: Ints
    ticks: Ints
    stamp_s: Floats
    sent_s: Floats
    first: Ints
    sample0: Ints
    start_s: Floats

    def __len__(self) -> int:
        return len(self.seq)


def boots(
    start_s: float, end_s: float, restarts: list[tuple[float, float]], death_s: float | None
) -> list[tuple[float, float]]:
    """Return the half-open stretches [start, end), in s, in which a node runs.

    ``restarts`` are (instant, seconds of silence); from ``death_s`` on the node is silent.
    """
    end = end_s if death_s is None else min(end_s, death_s)
    out, begin = [], start_s
    for at, silent in sorted(restarts):
        out.append((begin, min(at, end)))
        begin = at + silent
    out.append((begin, end))
    return [(a, b) for a, b in out if b > a]


def schedule(
    clock: CrystalClock, runs: list[tuple[float, float]], kind: Kind, tick_hz: float, phase: float
) -> Sent:
    """Return the frames that a node makes of a stream during ``runs``.

    In a boot ticks count from 0 at its start, and sample k is taken at tick (k + ``phase``) x
    tick_hz / rate_hz. A frame is sent when the last sample of its group has been taken. Its stamp
    is the tick of its first or last sample, as the layout declares: rounded, and the node samples at
    whole ticks; rounded down where a tick is longer than a sample's period, as with whole seconds.
    """
    return _joined([_boot(clock, number, run, kind, tick_hz, phase) for number, run in enumerate(runs)])


def event_driven(
    clock: CrystalClock,
    runs: list[tuple[float, float]],
    tick_hz: float,
    pauses: Pauses,
    rng: np.random.Generator,
) -> Sent:
    """Return the frames of one sample that a node sends when something happens during ``runs``.

    ``stamp_s`` is the true second at which its ticks, rounded down, began; the sample is taken then.
    """
    parts, done = [], 0
    for number, run in enumerate(runs):
        made = np.empty(0)
        while not len(made) or made[-1] < run[1]:
            drawn = np.exp(np.log(pauses.median_s) + pauses.spread * rng.standard_normal(1000))
            since = np.cumsum(np.clip(drawn, pauses.least_s, pauses.most_s))
            made = np.concatenate([made, (made[-1] if len(made) else run[0]) + since])
        made = made[made < run[1]]
        start, seq = float(clock.to_clock(run[0])), np.arange(len(made), dtype=np.int64)
        ticks = np.floor((clock.to_clock(made) - start) * tick_hz).astype(np.int64)
        stamp_s = clock.to_true(start + ticks / tick_hz)
        boot, start_s = np.full(len(seq), number, np.int32), np.full(len(seq), run[0])
        parts.append(Sent(boot, seq, ticks, stamp_s, made, done + seq, seq, start_s))
        done += len(seq)
    return _joined(parts)


def _joined(parts: list[Sent]) -> Sent:
    names = Sent.__dataclass_fields__
    return Sent(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def _boot(
    clock: CrystalClock, number: int, run: tuple[float, float], kind: Kind, tick_hz: float, phase: float
) -> Sent:
    start = float(clock.to_clock(run[0]))
    size = max(kind.samples, 1)
    step = tick_hz / (kind.rate_hz or 1.0 / kind.period_s)  # a mark is stamped as one sample would be
    total = (float(clock.to_clock(run[1])) - start) * tick_hz
    group = kind.interleave
    seq = np.arange(max(int((total / step - phase - (size - 1)) / size) + 1, 0), dtype=np.int64)
    instant = instant_of(kind, seq) if kind.samples else seq
    last = instant + (size - 1) * group
    stamped = last if kind.stamp == "last" else instant
    exact = (stamped + phase) * step
    ticks = (np.floor if step < 1 else np.rint)(exact).astype(np.int64)
    stamp_s = clock.to_true(start + ticks / tick_hz)
    # The frames of a group wait for its last sample, and then go out a frame's time apart.
    member = seq % group
    waited = (last + group - 1 - member) - stamped + member * size
    taken = exact if step < 1 else ticks
    sent_s = clock.to_true(start + (taken + waited * step) / tick_hz)
    base = int(np.ceil(max(run[0], 0.0) * (kind.rate_hz or 1.0))) if number else 0
    keep = sent_s < run[1]
    planned = Sent(
        np.full(len(seq), number, np.int32),
        seq,
        ticks,
        stamp_s,
        sent_s,
        base + instant,
        instant,
        np.full(len(seq), run[0]),
    )
    return Sent(**{name: getattr(planned, name)[keep] for name in Sent.__dataclass_fields__})


def sample_times(sent: Sent, clock: CrystalClock, kind: Kind, phase: float) -> Floats:
    """Return the true seconds of each frame's samples, (n, samples)."""
    sample = sent.sample0[:, None] + np.arange(kind.samples) * kind.interleave + phase
    start = clock.to_clock(sent.start_s)[:, None]
    return clock.to_true(start + sample / (kind.rate_hz or 1.0))


def counts(source: Source, sent: Sent, times: Floats, kind: Kind) -> NDArray[np.int64]:
    """Return the converter counts (n, samples, channels) of a source's values, limited to the rails.

    A value that is not finite gives the least count, as a converter without input does. Raises
    ValueError if the source and the stream differ in their number of channels.
    """
    index = (sent.first[:, None] + np.arange(kind.samples) * kind.interleave).ravel()
    values = np.asarray(source(index, times.ravel()), np.float64).reshape(len(sent), kind.samples, -1)
    out = np.empty(values.shape, np.int64)
    if values.shape[2] != len(kind.channels):
        raise ValueError(f"{values.shape[2]} channels, but stream {kind.stream} has {len(kind.channels)}")
    for column, channel in enumerate(kind.channels):
        low, high = channel.rails or full_range(kind)
        scaled = np.rint((values[:, :, column] - channel.offset) / channel.scale)
        out[:, :, column] = np.clip(np.nan_to_num(scaled, nan=low), low, high).astype(np.int64)
    return out


def full_range(kind: Kind) -> tuple[int, int]:
    """Return the least and the most count that the width of a stream's samples can carry."""
    half = 1 << (kind.bits - 1)
    return (-half, half - 1) if kind.signed else (0, 2 * half - 1)


def battery_v(seconds: Floats, session_s: float, death_s: float | None) -> Floats:
    """Return the battery voltage (n,): it falls slightly over the session, or to 3.0 V at ``death_s``."""
    if death_s is None:
        return FULL_V - USED_V * np.clip(seconds / session_s, 0, 1)
    left = np.clip(1.0 - seconds / death_s, 0.0, 1.0)
    return EMPTY_V + (LOW_V - EMPTY_V) * (0.4 * left + 0.6 * (1 - np.exp(-left / 0.06)))


def field_counts(field: Field, values: Floats) -> Ints:
    """Return the integers (n,) of a field for values in its unit, limited to the field's width."""
    half = 1 << (field.bits - 1)
    low, high = (-half, half - 1) if field.signed else (0, 2 * half - 1)
    return np.clip(np.rint((values - field.offset) / field.scale), low, high).astype(np.int64)
