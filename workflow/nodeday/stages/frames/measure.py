"""What the frames of a capture measure themselves: pace, ticks, counter steps, ranges, senders.

Frames are decoded as in the stage, with every address taken for a node. Paces come from unit steps, between
frames whose counter went on by one, so that no lost frame stretches them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pyarrow as arrow

from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.layouts import Kind, Layout, decode_fields
from nodeday.stages.frames.decode import RADIO, Decoder
from nodeday.stages.frames.memory import OwnTime
from nodeday.stages.frames.scan import ScannedBlock
from nodeday.stages.frames.unwrap import LEAST_PAIRS, StreamPace

MOST_ADDRESSES = 256
"""Addresses of a layout that are measured, those with most frames first. A choice of this project."""
LONG_STEPS, UNITS = 16, 100
"""A pace is measured over 16 unit steps or more, and over 100 units of the hub's stamp, where enough frames
follow each other, so that a hub which stamps frames by twos does not blur it. Choices of this project."""
SWITCHES, PACE_PART = 10, 0.25
"""Two senders share an address where two of its boots take turns 10 times or more, and both keep pace with
the hub's clock to a quarter meanwhile. Choices of this project."""
COLUMNS = ("kind", "boot", "seq_raw", "seq", "ticks_raw", "hub_ns", *RADIO.values())

Stream = tuple[str, int, str]
"""Layout, address and stream."""


@dataclass(frozen=True)
class StreamMeasure:
    """A stream of an address as measured; None where too few frames follow each other.

    ``period_s`` and ``ticks_hz`` are by the hub's clock, each with the standard error of its median;
    ``usual_step`` is the commonest step of the counter and ``step_share`` its share. ``ranges`` hold least,
    middle and greatest value by column of table ``frames``. ``senders`` are pairs of boots side by side.
    """

    layout: Layout
    address: int
    kind: Kind
    frames: int
    lost: int
    boots: int
    period_s: tuple[float, float] | None
    ticks_hz: tuple[float, float] | None
    regular: bool
    usual_step: int | None
    step_share: float
    ranges: dict[str, tuple[float, float, float]]
    senders: list[tuple[int, int]]


@dataclass(frozen=True)
class Measures:
    """Streams as measured, and by layout and role the values and the impossible ones among them.

    ``hub_stamps`` is False where no hub stamped the frames.
    """

    streams: list[StreamMeasure]
    values: dict[tuple[str, str], int]
    impossible: dict[tuple[str, str], int]
    hub_stamps: bool


def measure(
    blocks: Iterable[ScannedBlock], layouts: Sequence[Layout], frames: Mapping[tuple[str, int], int]
) -> Measures:
    """Measure a capture that comes in ``blocks``; ``frames`` are counts by layout and address.

    Addresses with hardly a frame are left out: noise that a weak checksum let pass.
    """
    decoders = {layout.layout: Decoder([layout], _names(layout.layout, frames)) for layout in layouts}
    parts: dict[Stream, list[dict[str, Ints | Floats]]] = defaultdict(list)
    own_time = OwnTime()
    for block in blocks:
        stamped = own_time.stamped(block)
        for name, decoder in decoders.items():
            rows = decoder.decode(_of_layout(stamped, name, decoder.addresses)).frames
            for address, stream, part in _by_stream(rows):
                parts[name, address, stream].append(part)
    by_name = {layout.layout: layout for layout in layouts}
    streams = []
    for (name, address, stream), each in sorted(parts.items(), key=lambda item: item[0]):
        columns = {key: np.concatenate([part[key] for part in each]) for key in COLUMNS}
        layout = by_name[name]
        sent = [kind for kind in layout.kinds_of(stream) if (columns["kind"] == kind.kind).any()]
        streams += [_measured(layout, address, kind, columns) for kind in sent]
    values, impossible = dict[tuple[str, str], int](), dict[tuple[str, str], int]()
    for decoder in decoders.values():
        values |= decoder.measured
        impossible |= decoder.impossible
    return Measures(streams, values, impossible, not own_time.lacking)


def _names(layout: str, frames: Mapping[tuple[str, int], int]) -> dict[int, str]:
    """Names of the addresses of a layout that sent enough, by address."""
    counts = {address: count for (name, address), count in frames.items() if name == layout}
    largest = sorted(counts, key=lambda address: -counts[address])[:MOST_ADDRESSES]
    return {address: f"{address}" for address in largest if counts[address] > LEAST_PAIRS}


def _of_layout(block: ScannedBlock, layout: str, addresses: Ints) -> ScannedBlock:
    """Frames of a block in one layout and from ``addresses``."""
    kept = []
    for each in block.frames:
        if each.layout.layout != layout:
            continue
        known = np.isin(decode_fields(each.frames, each.layout, each.kind, ["node"])["node"], addresses)
        if known.any():
            start, end, frames = each.start[known], each.end[known], each.frames[known]
            kept.append(replace(each, start=start, end=end, frames=frames))
    return ScannedBlock(kept, [])


def _by_stream(rows: arrow.Table) -> Iterable[tuple[int, str, dict[str, Ints | Floats]]]:
    """Columns of decoded frames by address and stream, in order of capture."""
    if not rows.num_rows:
        return
    node, stream = (rows[name].combine_chunks() for name in ("node", "stream"))
    key = node.indices.to_numpy().astype(np.int64) * len(stream.dictionary) + stream.indices.to_numpy()
    columns = {name: rows[name].to_numpy() for name in COLUMNS}
    for each in np.unique(key).tolist():
        at, kind = divmod(each, len(stream.dictionary))
        taken = {name: values[key == each] for name, values in columns.items()}
        yield int(node.dictionary[at].as_py()), str(stream.dictionary[kind]), taken


def _measured(
    layout: Layout, address: int, kind: Kind, columns: Mapping[str, Ints | Floats]
) -> StreamMeasure:
    """Measure the frames of one kind in a stream, from its decoded frames (n,) in order of capture.

    A frame lost before one of the kind counts as lost of the kind.
    """
    numbers, at = np.unique(np.stack([columns["boot"], columns["seq"]]), axis=1, return_index=True)
    own = columns["kind"] == kind.kind
    steps = np.diff(numbers[1])[(np.diff(numbers[0]) == 0) & own[at][1:]]
    columns = {name: values[own] for name, values in columns.items()}
    period, ticks_hz, regular = _pace(layout, kind, columns)
    usual, counts = np.unique(steps, return_counts=True)
    top = int(counts.argmax()) if len(steps) >= LEAST_PAIRS else None
    ranges = {}
    for name in RADIO.values():
        values = columns[name][~np.isnan(columns[name])]
        if len(values):
            ranges[name] = (float(values.min()), float(np.median(values)), float(values.max()))
    return StreamMeasure(
        layout,
        address,
        kind,
        len(columns["seq"]),
        int((steps - 1).sum()),
        len(np.unique(columns["boot"])),
        period,
        ticks_hz if layout.has_ticks else None,
        regular,
        None if top is None else int(usual[top]),
        0.0 if top is None else float(counts[top] / len(steps)),
        ranges,
        _side_by_side(columns, period[0] if period else kind.period_s),
    )


def _pace(
    layout: Layout, kind: Kind, columns: Mapping[str, Ints | Floats]
) -> tuple[tuple[float, float] | None, tuple[float, float] | None, bool]:
    """Seconds from frame to frame, ticks a second, and whether the stream is regular."""
    sequence, ticks, hub = (layout.field(role) for role in ("sequence", "ticks", "hub_time"))
    assert sequence is not None
    assert hub is not None
    modulus, tick_range = 1 << sequence.bits, 1 << (ticks.bits if ticks else 62)
    order = np.argsort(columns["boot"], kind="stable")
    boot, raw, hub_ns, tick = (columns[name][order] for name in ("boot", "seq_raw", "hub_ns", "ticks_raw"))
    unit = (np.diff(raw) % modulus == 1) & (np.diff(boot) == 0)
    if unit.sum() < LEAST_PAIRS:  # boots by a wrong tick rate tear frames apart
        raw, hub_ns, tick = (columns[name] for name in ("seq_raw", "hub_ns", "ticks_raw"))
        unit = np.diff(raw) % modulus == 1
    if unit.sum() < LEAST_PAIRS:
        return None, None, True
    pace = StreamPace(kind.period_s * 1e9, modulus, kind.interleave)
    pace.learn(np.where(unit, 1, 0), np.diff(hub_ns))
    long = max(LONG_STEPS, int(np.ceil(UNITS * (hub.unit_ns or 1) / 1e9 / kind.period_s)))
    first, steps = _unit_runs(unit, [kind.interleave * -(-each // kind.interleave) for each in (long, 4, 1)])
    waits = (hub_ns[first + steps] - hub_ns[first]) / 1e9
    middle, error = _median(waits)
    if middle <= 0:
        return None, None, pace.regular
    # A run of unit steps may be longer than a turn of the ticks, single steps are not.
    turns = np.concatenate([[0], np.cumsum(np.where(unit, np.diff(tick) % tick_range, 0))])
    ticked, ticked_error = _median((turns[first + steps] - turns[first]).astype(np.float64))
    hz = ticked / middle
    return (middle / steps, error / steps), (hz, hz * error / middle + ticked_error / middle), pace.regular


def _unit_runs(unit: Bools, lengths: Sequence[int]) -> tuple[Ints, int]:
    """Where runs of unit steps begin (k,), for the first of ``lengths`` that has enough of them."""
    total = np.concatenate([[0], np.cumsum(unit)])
    for steps in [*lengths, 1]:
        if steps < len(total):
            first = np.flatnonzero(total[steps:] - total[:-steps] == steps)
            if len(first) >= LEAST_PAIRS:
                return first, steps
    return np.flatnonzero(unit), 1


def _median(values: Floats) -> tuple[float, float]:
    """Median of values (n,) and its standard error, from their median deviation as of a normal spread."""
    middle = float(np.median(values))
    return middle, float(1.253 * 1.483 * np.median(np.abs(values - middle)) / np.sqrt(len(values)))


def _side_by_side(columns: Mapping[str, Ints | Floats], period_s: float) -> list[tuple[int, int]]:
    """Pairs of boots that take turns while both go on with the hub's clock: two senders."""
    numbers, counts = np.unique(columns["boot"], return_counts=True)
    largest = sorted(numbers[np.argsort(-counts, kind="stable")][:8].tolist())
    found = []
    for one, other in combinations(largest, 2):
        rows = np.flatnonzero(np.isin(columns["boot"], (one, other)))
        boot = columns["boot"][rows]
        begin = max(int(np.argmax(boot == each)) for each in (one, other))
        end = min(len(boot) - int(np.argmax(boot[::-1] == each)) for each in (one, other))
        both = rows[begin:end]
        if np.count_nonzero(np.diff(columns["boot"][both])) >= SWITCHES and all(
            _keeps_pace(columns, both[columns["boot"][both] == each], period_s) for each in (one, other)
        ):
            found.append((int(one), int(other)))
    return found


def _keeps_pace(columns: Mapping[str, Ints | Floats], rows: Ints, period_s: float) -> bool:
    """Whether the counter of ``rows`` (k,) went on as fast as the hub's clock."""
    if len(rows) < LEAST_PAIRS:
        return False
    passed_s = float(columns["hub_ns"][rows[-1]] - columns["hub_ns"][rows[0]]) / 1e9
    counted_s = float(columns["seq"][rows[-1]] - columns["seq"][rows[0]]) * period_s
    return passed_s > 0 and abs(counted_s - passed_s) <= PACE_PART * passed_s
