"""Stage `repair`: tables ``samples`` and ``aligned`` from ``frames``, ``gaps`` and ``clock``."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday.config.models import Fill
from nodeday.config.study import Study
from nodeday.core.errors import ContractError
from nodeday.core.parallel import map_on_cores
from nodeday.core.threads import one_thread
from nodeday.layouts import Kind
from nodeday.schemas import codes
from nodeday.stages.repair import aligned, quality
from nodeday.stages.repair.align import Aligned, kernel, on_grid
from nodeday.stages.repair.fill import LEFT, Policy, mend
from nodeday.stages.repair.pattern import CONTEXT_S, SEARCH_S
from nodeday.stages.repair.stream import INTERPOLATED, MISSING, BootSamples, SampleStretch, boot_of
from nodeday.storage import contract, frames, samples, tables
from nodeday.storage.frames import DistinctFrames, Key
from nodeday.storage.ledger import Entry, Ledger

SECOND = 1_000_000_000
PIECE = 1_000_000
"""Samples of a stream, or values of a grid made of them, worked on at a time, in all of its channels."""
MARGIN_S = 5.0
"""Around them, beside what a pattern looks at: more than any fill or kernel reaches."""


@dataclass(frozen=True)
class Repaired:
    """A stretch with what became of it: ``value`` and ``quality`` (n, channels), ``origin`` (n,)."""

    stretch: SampleStretch
    value: NDArray[np.float32]
    origin: NDArray[np.int8]
    quality: NDArray[np.int8]


@dataclass(frozen=True)
class Known:
    """What earlier stages say of a session's streams: ``kinds`` are those of which frames were received."""

    kinds: dict[Key, Kind]
    gaps: pd.DataFrame
    clock: pd.DataFrame


@dataclass(frozen=True)
class PlacedStream:
    """A stream of a node with its boots that lie in time. Counted in sample instants: ``received`` and
    ``lost`` in all, ``unplaced`` the expected and the received ones of the other boots.
    """

    key: Key
    kind: Kind
    boots: list[BootSamples]
    fill: Fill
    received: int
    lost: int
    unplaced: tuple[int, int]


@dataclass(frozen=True)
class Written:
    """What became of a stream: its part of the ledger, its values on each grid."""

    entries: list[Entry]
    tracks: dict[str, aligned.Track]


@one_thread()
def run(study: Study, session: str, cores: int = 1) -> None:
    """Write a session's samples and grids, as many streams at a time as there are ``cores``; raise
    ContractError where no sample can be placed in time.
    """
    ledger, grids = Ledger("repair", session), study.file.grid.tables
    known = _known(study, session)
    with samples.writing(study.results, session) as place, tempfile.TemporaryDirectory(dir=place) as scratch:
        # A stream's frames are placed where they are worked on; they are too many to be handed over.
        def written(key: Key) -> Written:
            placed = _placed(study, session, known, key)
            return _written(placed, place, Path(scratch), grids) if placed else Written([], {})

        streams = list(map_on_cores(written, known.kinds, cores))
        in_time = [one for one in streams if one.tracks]
        if not in_time:
            raise ContractError(
                "no sample could be placed in time", f"session {session}", "frames and a clock"
            )
        for name in grids:
            target = tables.path(study.results, name, session)
            aligned.write(target, [one.tracks[name] for one in in_time])
    ledger.entries += [entry for one in streams for entry in one.entries]
    ledger.close(study.results)


def _known(study: Study, session: str) -> Known:
    received = frames.streams(study.results, session)
    every = (((node.node, kind.stream), kind) for node, kind in study.streams_of(session))
    kinds = {key: kind for key, kind in every if key in received}
    gaps, clock = (tables.read(tables.path(study.results, name, session), name) for name in ("gaps", "clock"))
    return Known(kinds, gaps, clock)


def _placed(study: Study, session: str, known: Known, key: Key) -> PlacedStream | None:
    """Return a stream placed in time; None where none of its frames is distinct."""
    kind = known.kinds[key]
    got = frames.distinct_frames(study.results, session, key, kind)
    if not len(got.seq):
        return None
    gaps, clock = known.gaps, known.clock
    own = gaps[(gaps["node"] == key[0]) & (gaps["stream"] == key[1])]
    knots = clock[(clock["node"] == key[0]) & clock["stream"].isin(["*", key[1]])]
    boots, unplaced = _boots(study, session, key, kind, got, own, knots)
    fill = study.file.fill.get(kind.stream, Fill())
    lost = int(own.loc[own["extent"] == "known", "frames"].sum()) * kind.samples
    return PlacedStream(key, kind, boots, fill, got.samples, lost, unplaced)


def _written(one: PlacedStream, place: Path, scratch: Path, grids: Mapping[str, float]) -> Written:
    """Write the file of a stream any of whose samples has a time, in ``place``."""
    counted = np.zeros(len(codes.ORIGIN), np.int64)
    if not one.boots:
        return Written(_entries(one, counted), {})
    units = {f"{one.key[0]}_{channel.name}": channel.unit for channel in one.kind.channels}
    tracks = {
        name: aligned.Track(scratch / f"{name}.{'.'.join(one.key)}", rate_hz, units)
        for name, rate_hz in grids.items()
    }
    with tables.writer(samples.path(place, one.key[0], one.kind), samples.table_of(one.kind)) as out:
        for boot in one.boots:
            for part in _repaired(boot, one.key, one.fill, grids.values()):
                counted += np.bincount(part.origin[part.stretch.core], minlength=len(codes.ORIGIN))
                _write(out, one.key, boot, part)
                for track in tracks.values():
                    track.add(_on_grid(part, boot.kind, track.rate_hz))
    return Written(_entries(one, counted), tracks)


def _boots(
    study: Study,
    session: str,
    key: Key,
    kind: Kind,
    got: DistinctFrames,
    gaps: pd.DataFrame,
    knots: pd.DataFrame,
) -> tuple[list[BootSamples], tuple[int, int]]:
    """The boots that have a map; sample instants of those without one, all and received.

    Raises ContractError where counters contradict each other.
    """
    tick_hz = study.layout_of(session, key[0]).tick_hz(key[1])
    boots, expected, received = [], 0, 0
    for number in np.unique(got.boot).tolist():
        rows, line = np.flatnonzero(got.boot == number), knots[knots["boot"] == number]
        if len(line) < 2:
            seq = got.seq[rows]
            expected += int(seq.max() - seq.min() + 1) * kind.samples
            received += len(rows) * kind.samples
            continue
        try:
            boots.append(boot_of(number, kind, got, rows, gaps[gaps["boot"] == number], line, tick_hz))
        except ValueError as error:
            raise ContractError(str(error), _where(key, number)) from error
    return boots, (expected, received)


def _where(key: Key, boot: int) -> str:
    return f"node {key[0]}, stream {key[1]}, boot {boot}"


def _repaired(boot: BootSamples, key: Key, fill: Fill, rates: Iterable[float]) -> Iterator[Repaired]:
    """The boot stretch by stretch, short gaps filled by ``fill``."""
    rate = boot.kind.rate_hz or 1.0
    policy = Policy(fill.method, fill.max_ms * rate / 1000, fill.context_ms * rate / 1000, rate)
    near = MARGIN_S + 2 * (fill.max_ms + fill.context_ms) / 1000
    near += max(kernel(rate, each).reach for each in rates) / rate
    learnt = SEARCH_S + 2 * CONTEXT_S if fill.method == "pattern" else 0.0
    instants = PIECE * rate / max(rate, *rates) / len(boot.kind.channels)
    try:
        for stretch in boot.stretches(round(instants), near + learnt):
            yield _mended(boot.kind, stretch, policy, int(near * rate))
    except ValueError as error:
        raise ContractError(str(error), _where(key, boot.number)) from error


def _mended(kind: Kind, stretch: SampleStretch, policy: Policy, near: int) -> Repaired:
    """Its core and ``near`` samples around it, graded and filled; what lies beyond is there to be learnt
    from.
    """
    present, n = stretch.present, len(stretch.utc_ns)
    grades = np.empty(stretch.counts.shape, np.int8, order="F")
    value = np.empty(stretch.counts.shape, np.float64, order="F")
    sound, lost = np.ones(n, np.bool_), np.flatnonzero(~present)
    for index, channel in enumerate(kind.channels):
        counts = stretch.counts[:, index]
        at_rail = present & quality.clipped(counts, channel.rails)
        still = np.zeros(n, np.bool_)
        if kind.is_ecg:
            still = quality.flat(counts, present, quality.FLAT_MS * policy.rate_hz / 1000)
        off = quality.lead_off(at_rail, quality.LEAD_OFF_S * policy.rate_hz)
        grades[:, index] = quality.grade(present, at_rail, still, off)
        sound &= grades[:, index] == quality.GOOD
        value[:, index] = counts * channel.scale + channel.offset
        value[lost, index] = np.nan
    seconds = (stretch.utc_ns - stretch.utc_ns[0]) / SECOND
    low, high = max(stretch.core.start - near, 0), stretch.core.stop + near
    barred = stretch.barred.copy()
    barred[:low] = barred[high:] = True
    value, how = mend(seconds, value, present, sound, barred, policy)
    origin = stretch.received.copy()
    filled = np.flatnonzero(how != LEFT)
    origin[filled] = INTERPOLATED
    grades[filled] = how[filled, None]
    own = value[low:high].astype(np.float32, order="K")
    return Repaired(stretch.cut(low, high), own, origin[low:high], grades[low:high])


def _write(out: tables.Writer, key: Key, boot: BootSamples, part: Repaired) -> None:
    """Write a stretch's core."""
    stretch, core, table = part.stretch, part.stretch.core, out.table
    n = core.stop - core.start
    known, there = (contract.validity(each[core] != MISSING) for each in (stretch.received, part.origin))
    columns = {
        "node": contract.constant_column(key[0], n),
        "stream": contract.constant_column(key[1], n),
        "boot": contract.number_column(np.full(n, boot.number, np.int32)),
        "seq": contract.number_column(stretch.seq[core]),
        "position": contract.number_column(stretch.position[core]),
        "utc_ns": contract.number_column(stretch.utc_ns[core]),
        "origin": contract.code_column(part.origin[core], table["origin"]),
    }
    for index, channel in enumerate(boot.kind.channels):
        quality = table[f"{channel.name}_quality"]
        columns |= {
            channel.name: contract.number_column(part.value[core, index], there),
            f"{channel.name}_raw": contract.number_column(stretch.counts[core, index], known),
            quality.name: contract.code_column(part.quality[core, index], quality),
        }
    out.write_columns(columns)


def _on_grid(part: Repaired, kind: Kind, grid_hz: float) -> Aligned:
    stretch = part.stretch
    return on_grid(
        stretch.utc_ns, part.value, part.origin, part.quality, stretch.core, kind.rate_hz or 1.0, grid_hz
    )


def _entries(one: PlacedStream, counted: NDArray[np.int64]) -> list[Entry]:
    """Expected comes from frames and gaps, the parts from the rows written; they meet or the run stops."""
    scope, written = "/".join(one.key), dict(zip(codes.ORIGIN, counted.tolist(), strict=True))
    every, received = one.unplaced
    kept = {origin: written[origin] for origin in ("measured", "recovered")}
    return [
        Entry("samples", scope, one.received + one.lost, written | {"no_clock": every}),
        Entry("samples received", scope, one.received, kept | {"no_clock": received}),
    ]
