"""Stage `repair`: tables ``samples`` and ``aligned`` from ``frames``, ``gaps`` and ``clock``."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from nodeday.config.models import Fill
from nodeday.config.study import Study
from nodeday.core.errors import ContractError
from nodeday.core.parallel import map_on_cores
from nodeday.core.threads import one_thread
from nodeday.layouts import Kind
from nodeday.stages.repair import aligned, quality
from nodeday.stages.repair.account import Counted, PlacedStream, Repaired
from nodeday.stages.repair.align import Aligned, kernel, on_grid
from nodeday.stages.repair.fill import NOT_FILLED, Policy, mend
from nodeday.stages.repair.kinds import KindPart, parts_of
from nodeday.stages.repair.pattern import CONTEXT_S, SEARCH_S
from nodeday.stages.repair.stream import BootSamples, SampleStretch, boot_of
from nodeday.storage import contract, frames, samples, session_cut, tables
from nodeday.storage.frames import DistinctFrames, Key
from nodeday.storage.ledger import Entry, Ledger
from nodeday.storage.session_cut import BootNumbers, SessionCut

SECOND = 1_000_000_000
PIECE = 1_000_000
"""Most samples of a stream, or values of its grid, worked on at a time, over all of its channels."""
MARGIN_S = 5.0
"""Margin around them, in addition to the search of a pattern fill: more than any fill or kernel reaches."""


@dataclass(frozen=True)
class SessionInput:
    """Tables of earlier stages, and the ``kinds`` of the streams of which frames were received.

    ``cut`` is the session's part of its capture, None where it takes all of it.
    """

    kinds: dict[Key, tuple[Kind, ...]]
    gaps: pd.DataFrame
    clock: pd.DataFrame
    cut: SessionCut | None


@dataclass(frozen=True)
class Written:
    """A written stream: its entries of the ledger, and its values on each grid."""

    entries: list[Entry]
    tracks: dict[str, aligned.Track]


@one_thread()
def run(study: Study, session: str, cores: int = 1) -> None:
    """Write a session's samples and grids, as many streams at a time as there are ``cores``.

    A session whose frames hold no samples has empty tables. Raises ContractError where there are samples and
    none can be placed in time.
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
        if known.kinds and not in_time:
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
    declared = [(node.node, kind.stream) for node, kind in study.streams_of(session)]
    kinds = {key: study.layout_of(session, key[0]).kinds_of(key[1]) for key in declared if key in received}
    gaps, clock = (tables.read(tables.path(study.results, name, session), name) for name in ("gaps", "clock"))
    return SessionInput(kinds, gaps, clock, session_cut.read(study.results, session, study.is_cut(session)))


def _place(study: Study, session: str, known: SessionInput, key: Key) -> PlacedStream | None:
    """Return a stream placed in time; None where none of its frames is distinct."""
    kinds = known.kinds[key]
    distinct = frames.distinct_frames(study.results, session, key, kinds[0], len(kinds) > 1)
    if not len(distinct.seq):
        return None
    gaps, clock = known.gaps, known.clock
    gaps = _between(gaps[(gaps["node"] == key[0]) & (gaps["stream"] == key[1])], distinct)
    knots = clock[(clock["node"] == key[0]) & clock["stream"].isin(["*", key[1]])]
    parts = [*parts_of(distinct, kinds, study.layout_of(session, key[0]).tick_hz(key[1]))]
    boots, unplaced = _place_boots(study, session, key, parts, gaps, knots)
    fill = study.file.fill.get(key[1], Fill())
    if len(kinds) == 1:
        lost = int(gaps.loc[gaps["extent"] == "known", "frames"].sum()) * kinds[0].samples
    else:
        lost = sum(part.lost_in(gaps) * part.kind.samples for part in parts)
    received = distinct.samples
    if known.cut is not None:
        received, unplaced = _received_within(distinct, kinds, known.cut.of(key)), (0, 0)
        boots = [part for boot in boots if (part := boot.within(known.cut))]
    return PlacedStream(key, kinds[0], boots, fill, received, lost, unplaced, known.cut)


def _received_within(received: DistinctFrames, kinds: Sequence[Kind], numbers: BootNumbers) -> int:
    """Return the samples of received frames that are in the session; frames without a time are outside."""
    within = numbers.hold(received.boot, received.seq)
    if len(kinds) == 1:
        return int(within.sum()) * kinds[0].samples
    return sum(int((within & (received.kind == kind.kind)).sum()) * kind.samples for kind in kinds)


def _between(gaps: pd.DataFrame, distinct: DistinctFrames) -> pd.DataFrame:
    """Return gaps without what a transmit list has before the first or after the last frame of a boot.

    Samples go from the first received frame of a boot to the last one.
    """
    boot, at = np.unique(distinct.boot, return_inverse=True)
    low, high = (
        np.full(len(boot), edge, np.int64) for edge in (np.iinfo(np.int64).max, np.iinfo(np.int64).min)
    )
    np.minimum.at(low, at, distinct.seq)
    np.maximum.at(high, at, distinct.seq)
    own = np.searchsorted(boot, gaps["boot"].to_numpy(np.int64)).clip(max=len(boot) - 1)
    seq, known = gaps["seq_from"].to_numpy(np.int64), (gaps["extent"] == "known").to_numpy()
    kept = ~known | ((seq > low[own]) & (seq < high[own]))
    between: pd.DataFrame = gaps.loc[kept]
    return between


def _write_stream(one: PlacedStream, folder: Path, scratch: Path, grids: Mapping[str, float]) -> Written:
    """Write the file of a stream in ``folder``, and its grids in ``scratch``; nothing without a map."""
    counted = Counted.of(one)
    if not one.boots:
        return Written(counted.entries(), {})
    units = {f"{one.key[0]}_{channel.name}": channel.unit for channel in one.kind.channels}
    tracks = {
        name: aligned.Track(scratch / f"{name}.{'.'.join(one.key)}", rate_hz, units)
        for name, rate_hz in grids.items()
    }
    with tables.writer(samples.path(folder, one.key[0], one.kind), samples.table_of(one.kind)) as out:
        before: tuple[int, Repaired] | None = None
        for boot in one.boots:
            for part in _repair(boot, one.key, one.fill, grids.values()):
                core = part.stretch.core
                inside = core if one.cut is None else one.cut.rows_of(part.stretch.utc_ns, core)
                counted.add(part, boot.number, inside)
                _write(out, one.key, boot, part, inside)
                for track in tracks.values():
                    if before and _goes_on(*before, boot.number, part):
                        track.add(_across(before[1], part, boot.kind, track.rate_hz), one.cut)
                    track.add(_on_grid(part, boot.kind, track.rate_hz), one.cut)
                before = boot.number, part
    return Written(counted.entries(), tracks)


def _place_boots(
    study: Study,
    session: str,
    key: Key,
    parts: Sequence[KindPart],
    gaps: pd.DataFrame,
    knots: pd.DataFrame,
) -> tuple[list[BootSamples], tuple[int, int]]:
    """Return the parts with a map, and the expected and received sample instants of those without one.

    Raises ContractError where counters contradict each other.
    """
    tick_hz = study.layout_of(session, key[0]).tick_hz(key[1])
    boots, expected, received = [], 0, 0
    for part in parts:
        number, kind, line = part.boot, part.kind, knots[knots["boot"] == part.boot]
        if len(line) < 2:
            expected += (part.last_seq - part.first_seq + 1) * kind.samples
            received += len(part.rows) * kind.samples
            continue
        try:
            of_boot = gaps[gaps["boot"] == number]
            boots.append(boot_of(number, kind, part.frames, part.rows, of_boot, line, tick_hz))
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


def _write(out: tables.Writer, key: Key, boot: BootSamples, part: Repaired, core: slice) -> None:
    """Write the samples of a stretch in ``core`` to table ``samples``."""
    stretch, table = part.stretch, out.table
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
        "rate_hz": contract.number_column(np.full(n, boot.kind.rate_hz or 1.0)),
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


def _goes_on(boot: int, before: Repaired, next_boot: int, part: Repaired) -> bool:
    """Return whether a stretch begins another kind of frame right behind the one ``before``, none lost."""
    one, other = before.stretch, part.stretch
    return boot == next_boot and other.core.start == 0 and one.seq[one.core.stop - 1] + 1 == other.seq[0]


def _across(before: Repaired, part: Repaired, kind: Kind, grid_hz: float) -> Aligned:
    """Return the grid between two rates, on a straight line from the last sample to the first."""
    ends = ((before, before.stretch.core.stop - 1), (part, part.stretch.core.start))
    utc_ns = np.array([one.stretch.utc_ns[at] for one, at in ends])
    value, origin, grades = (
        np.stack([getattr(one, name)[at] for one, at in ends]) for name in ("value", "origin", "quality")
    )
    return on_grid(utc_ns, value, origin, grades, slice(0, 2), kind.rate_hz or 1.0, grid_hz)
