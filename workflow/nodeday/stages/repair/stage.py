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
from nodeday.stages.repair.fill import NOT_FILLED, Policy, mend
from nodeday.stages.repair.pattern import CONTEXT_S, SEARCH_S
from nodeday.stages.repair.stream import BootSamples, SampleStretch, boot_of
from nodeday.storage import contract, frames, samples, tables
from nodeday.storage.frames import DistinctFrames, Key
from nodeday.storage.ledger import Entry, Ledger

SECOND = 1_000_000_000
PIECE = 1_000_000
"""Most samples of a stream, or values of its grid, worked on at a time, over all of its channels."""
MARGIN_S = 5.0
"""Margin around them, in addition to the search of a pattern fill: more than any fill or kernel reaches."""


@dataclass(frozen=True)
class Repaired:
    """A repaired stretch: ``value``, ``quality`` (n, channels); ``origin``, ``fill_probability`` (n,)."""

    stretch: SampleStretch
    value: NDArray[np.float32]
    origin: NDArray[np.int8]
    quality: NDArray[np.int8]
    fill_probability: NDArray[np.float32]


@dataclass(frozen=True)
class SessionInput:
    """Tables of earlier stages, and the ``kinds`` of the streams of which frames were received."""

    kinds: dict[Key, Kind]
    gaps: pd.DataFrame
    clock: pd.DataFrame


@dataclass(frozen=True)
class PlacedStream:
    """A stream of a node with the boots that have a map from ticks to UTC.

    Counts of sample instants: ``received`` and ``lost`` in all boots, ``unplaced`` the expected and the
    received ones in boots without a map.
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
    """A written stream: its entries of the ledger, and its values on each grid."""

    entries: list[Entry]
    tracks: dict[str, aligned.Track]


@one_thread()
def run(study: Study, session: str, cores: int = 1) -> None:
    """Write a session's samples and grids, as many streams at a time as there are ``cores``.

    Raises ContractError where no sample can be placed in time.
    """
    ledger, grids = Ledger("repair", session), study.file.grid.tables
    known = _read_input(study, session)
    with (
        samples.writing(study.results, session) as folder,
        tempfile.TemporaryDirectory(dir=folder) as scratch,
    ):
        # Each process places the frames of its streams itself: they are too many to be handed over.
        def written(key: Key) -> Written:
            placed = _place(study, session, known, key)
            return _write_stream(placed, folder, Path(scratch), grids) if placed else Written([], {})

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


def _read_input(study: Study, session: str) -> SessionInput:
    """Read what the stage needs of a session."""
    received = frames.streams(study.results, session)
    declared = (((node.node, kind.stream), kind) for node, kind in study.streams_of(session))
    kinds = {key: kind for key, kind in declared if key in received}
    gaps, clock = (tables.read(tables.path(study.results, name, session), name) for name in ("gaps", "clock"))
    return SessionInput(kinds, gaps, clock)


def _place(study: Study, session: str, known: SessionInput, key: Key) -> PlacedStream | None:
    """Return a stream placed in time; None where none of its frames is distinct."""
    kind = known.kinds[key]
    distinct = frames.distinct_frames(study.results, session, key, kind)
    if not len(distinct.seq):
        return None
    gaps, clock = known.gaps, known.clock
    gaps = gaps[(gaps["node"] == key[0]) & (gaps["stream"] == key[1])]
    knots = clock[(clock["node"] == key[0]) & clock["stream"].isin(["*", key[1]])]
    boots, unplaced = _place_boots(study, session, key, kind, distinct, gaps, knots)
    fill = study.file.fill.get(kind.stream, Fill())
    lost = int(gaps.loc[gaps["extent"] == "known", "frames"].sum()) * kind.samples
    return PlacedStream(key, kind, boots, fill, distinct.samples, lost, unplaced)


def _write_stream(one: PlacedStream, folder: Path, scratch: Path, grids: Mapping[str, float]) -> Written:
    """Write the file of a stream in ``folder``, and its grids in ``scratch``; nothing without a map."""
    counted = np.zeros(len(codes.ORIGIN), np.int64)
    if not one.boots:
        return Written(_entries(one, counted), {})
    units = {f"{one.key[0]}_{channel.name}": channel.unit for channel in one.kind.channels}
    tracks = {
        name: aligned.Track(scratch / f"{name}.{'.'.join(one.key)}", rate_hz, units)
        for name, rate_hz in grids.items()
    }
    with tables.writer(samples.path(folder, one.key[0], one.kind), samples.table_of(one.kind)) as out:
        for boot in one.boots:
            for part in _repair(boot, one.key, one.fill, grids.values()):
                counted += np.bincount(part.origin[part.stretch.core], minlength=len(codes.ORIGIN))
                _write(out, one.key, boot, part)
                for track in tracks.values():
                    track.add(_on_grid(part, boot.kind, track.rate_hz))
    return Written(_entries(one, counted), tracks)


def _place_boots(
    study: Study,
    session: str,
    key: Key,
    kind: Kind,
    distinct: DistinctFrames,
    gaps: pd.DataFrame,
    knots: pd.DataFrame,
) -> tuple[list[BootSamples], tuple[int, int]]:
    """Return the boots with a map, and the expected and received sample instants of those without one.

    Raises ContractError where counters contradict each other.
    """
    tick_hz = study.layout_of(session, key[0]).tick_hz(key[1])
    boots, expected, received = [], 0, 0
    for number in np.unique(distinct.boot).tolist():
        rows, line = np.flatnonzero(distinct.boot == number), knots[knots["boot"] == number]
        if len(line) < 2:
            seq = distinct.seq[rows]
            expected += int(seq.max() - seq.min() + 1) * kind.samples
            received += len(rows) * kind.samples
            continue
        try:
            boots.append(boot_of(number, kind, distinct, rows, gaps[gaps["boot"] == number], line, tick_hz))
        except ValueError as error:
            raise ContractError(str(error), _where(key, number)) from error
    return boots, (expected, received)


def _where(key: Key, boot: int) -> str:
    return f"node {key[0]}, stream {key[1]}, boot {boot}"


def _repair(boot: BootSamples, key: Key, fill: Fill, rates: Iterable[float]) -> Iterator[Repaired]:
    """Yield the boot stretch by stretch, with short gaps filled by ``fill``."""
    rate = boot.kind.rate_hz or 1.0
    samples_ms = rate / 1000
    most, context = fill.max_ms * samples_ms, fill.context_ms * samples_ms
    policy = Policy(fill.method, most, context, rate, fill.min_probability)
    near = MARGIN_S + 2 * (fill.max_ms + fill.context_ms) / 1000
    near += max(kernel(rate, grid_hz).reach for grid_hz in rates) / rate
    search = SEARCH_S + 2 * CONTEXT_S if fill.method == "pattern" else 0.0
    instants = PIECE * rate / max(rate, *rates) / len(boot.kind.channels)
    try:
        for stretch in boot.stretches(round(instants), near + search):
            yield _mend(boot.kind, stretch, policy, int(near * rate))
    except ValueError as error:
        raise ContractError(str(error), _where(key, boot.number)) from error


def _mend(kind: Kind, stretch: SampleStretch, policy: Policy, near: int) -> Repaired:
    """Return the core of a stretch and ``near`` samples around it, graded and filled.

    Samples beyond them serve the search of a pattern fill only.
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
    mended = mend(seconds, value, present, sound, barred, policy)
    origin = stretch.received.copy()
    origin[mended.filled] = quality.INTERPOLATED
    coded = np.flatnonzero(mended.code != NOT_FILLED)
    grades[coded] = mended.code[coded, None]
    single = mended.values[low:high].astype(np.float32, order="K")
    part = slice(low, high)
    return Repaired(stretch.cut(low, high), single, origin[part], grades[part], mended.probability[part])


def _write(out: tables.Writer, key: Key, boot: BootSamples, part: Repaired) -> None:
    """Write the core of a stretch to table ``samples``."""
    stretch, core, table = part.stretch, part.stretch.core, out.table
    n = core.stop - core.start
    known, filled = (
        contract.validity(origin[core] != quality.MISSING) for origin in (stretch.received, part.origin)
    )
    columns = {
        "node": contract.constant_column(key[0], n),
        "stream": contract.constant_column(key[1], n),
        "boot": contract.number_column(np.full(n, boot.number, np.int32)),
        "seq": contract.number_column(stretch.seq[core]),
        "position": contract.number_column(stretch.position[core]),
        "utc_ns": contract.number_column(stretch.utc_ns[core]),
        "origin": contract.code_column(part.origin[core], table["origin"]),
        "fill_probability": contract.number_column(
            part.fill_probability[core], contract.validity(~np.isnan(part.fill_probability[core]))
        ),
    }
    for index, channel in enumerate(boot.kind.channels):
        column = table[f"{channel.name}_quality"]
        columns |= {
            channel.name: contract.number_column(part.value[core, index], filled),
            f"{channel.name}_raw": contract.number_column(stretch.counts[core, index], known),
            column.name: contract.code_column(part.quality[core, index], column),
        }
    out.write_columns(columns)


def _on_grid(part: Repaired, kind: Kind, grid_hz: float) -> Aligned:
    """Return the core of a stretch on a grid."""
    stretch = part.stretch
    return on_grid(
        stretch.utc_ns, part.value, part.origin, part.quality, stretch.core, kind.rate_hz or 1.0, grid_hz
    )


def _entries(one: PlacedStream, counted: NDArray[np.int64]) -> list[Entry]:
    """Return the ledger's entries: expected by frames and gaps, parts by the rows written."""
    scope, written = "/".join(one.key), dict(zip(codes.ORIGIN, counted.tolist(), strict=True))
    expected, received = one.unplaced
    kept = {origin: written[origin] for origin in ("measured", "recovered")}
    return [
        Entry("samples", scope, one.received + one.lost, written | {"no_clock": expected}),
        Entry("samples received", scope, one.received, kept | {"no_clock": received}),
    ]
