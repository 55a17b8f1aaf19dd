"""Nodes that restart thousands of times: frames are grouped by boot once, and results stay as they were."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest
from conftest import CONFIG
from hypothesis import given
from hypothesis import strategies as st
from nodeday.schemas.codes import DISTINCT, IN_PLACE
from numpy.typing import NDArray

from nodeday.core import timeline
from nodeday.core.arrays import groups
from nodeday.layouts import load_layout
from nodeday.layouts.codec import interleave_shift
from nodeday.stages.clock import cut
from nodeday.stages.report import spans, streams
from nodeday.stages.study import recorded
from nodeday.storage.frames import STATUS, FrameStamps, is_in

BOOTS, EACH = 3000, 4
LAYOUT = load_layout(CONFIG / "layouts" / "beltframe.yaml")


class Counted(np.ndarray[Any, Any]):
    """An array that counts the elements which operations on it go through."""

    work = 0

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **more: Any) -> Any:
        Counted.work += max(np.size(each) for each in inputs)
        plain = [each.view(np.ndarray) if isinstance(each, Counted) else each for each in inputs]
        return getattr(ufunc, method)(*plain, **more)


def frames(boots: int = BOOTS) -> dict[str, NDArray[Any]]:
    """Columns of a stream in order of capture: some frames of each boot, late and unplaced ones too."""
    rng = np.random.default_rng(4)
    boot = np.repeat(np.arange(boots), EACH)
    seq = np.tile(np.arange(EACH), boots) * 2 + rng.integers(0, 2, len(boot))
    ticks = seq * 6554 + rng.integers(0, 50, len(boot))
    status = rng.choice(len(STATUS), len(boot), p=[0.8, *[0.2 / (len(STATUS) - 1)] * (len(STATUS) - 1)])
    order = rng.permutation(len(boot)) if boots < 50 else np.arange(len(boot))
    columns = {
        "boot": boot.astype(np.int32),
        "seq": seq,
        "ticks": ticks,
        "status": status.astype(np.int8),
        "kind": np.full(len(boot), LAYOUT.stream("acc").kind, np.int32),
        "samples": np.full(len(boot), 10, np.int32),
        "row": np.arange(len(boot)),
    }
    return {name: column[order] for name, column in columns.items()}


def clock(boots: int = BOOTS) -> pd.DataFrame:
    """Two knots of each boot but of every seventh, which has one."""
    boot = np.repeat(np.arange(boots), 2)
    rows = pd.DataFrame(
        {
            "node": "wrist",
            "stream": "*",
            "boot": boot.astype(np.int32),
            "ticks": np.tile([0, 60_000], boots),
            "utc_ns": 10**18 + boot * 10**10 + np.tile([0, 1_831_054_688], boots),
        }
    )
    return rows[~((boot % 7 == 3) & (rows["ticks"] > 0))].reset_index(drop=True)


def counted(columns: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    Counted.work = 0
    return {name: column.view(Counted) for name, column in columns.items()}


def instants(columns: dict[str, NDArray[Any]], maps: pd.DataFrame) -> cut._Instants:
    study = SimpleNamespace(layout_of=lambda *_: LAYOUT)
    return cut._instants(cast(Any, study), "S1", ("wrist", "acc"), columns, maps, cast(Any, None))


def plain_cut(columns: dict[str, NDArray[Any]], maps: pd.DataFrame, edges: tuple[int, int]) -> list[Any]:
    """Rows of table ``cut`` by a mask of all frames for each boot."""
    found, lag = [], LAYOUT.stream("acc").stamp_lag_ns
    boot, seq, status = columns["boot"], columns["seq"], columns["status"]
    for number in np.unique(boot).tolist():
        own, line = boot == number, maps[maps["boot"] == number]
        sound, distinct = own & is_in(status, IN_PLACE), own & is_in(status, DISTINCT)
        rows = np.flatnonzero(sound if sound.any() else distinct)
        rows = rows[np.argsort(seq[rows], kind="stable")] if len(line) > 1 else rows[:0]
        utc = np.zeros(0, np.int64)
        if len(rows):
            knots = line["ticks"].to_numpy(), line["utc_ns"].to_numpy()
            utc = np.maximum.accumulate(timeline.ticks_to_utc(columns["ticks"][rows], *knots) - lag)
        of = seq[distinct] if distinct.any() else seq[own]
        low, high = cut.numbers_within(seq[rows], utc, edges, (int(of.min()), int(of.max()) + 1))
        placed = own & ~is_in(status, ["unplaced"]) & bool(len(rows))
        before, after = int((placed & (seq < low)).sum()), int((placed & (seq >= high)).sum())
        inside = int(placed.sum()) - before - after
        found.append((number, low, high, inside, before, after, int(own.sum() - placed.sum())))
    return found


def plain_spans(stamps: FrameStamps, maps: pd.DataFrame) -> Any:
    kind, parts = LAYOUT.stream("acc"), [np.zeros((4, 0), np.int64)]
    for boot in np.unique(stamps.boot):
        line, own = maps[maps["boot"] == boot], stamps.boot == boot
        if len(line) > 1:
            seq = stamps.seq[own]
            shift = interleave_shift(kind, seq, LAYOUT.tick_hz("acc") / (kind.rate_hz or 1))
            ticks = stamps.ticks[own] - np.rint(shift).astype(np.int64)
            utc = timeline.ticks_to_utc(ticks, line["ticks"].to_numpy(), line["utc_ns"].to_numpy())
            utc = utc - round(kind.converter_ms * 1e6)
            start, end = spans.frame_spans(utc, kind.samples, kind.samples / kind.period_s, kind.stamp)
            parts.append(np.stack([np.full(len(seq), boot), seq, start, end]))
    return np.concatenate(parts, axis=1)


@given(st.lists(st.integers(-3, 9), max_size=30))
def test_groups_are_the_positions_of_each_value(values: list[int]) -> None:
    array = np.array(values, np.int64)
    found = groups(array)
    assert list(found) == sorted(set(values))
    assert all(at.tolist() == np.flatnonzero(array == value).tolist() for value, at in found.items())


@pytest.mark.parametrize("boots", [1, 30, 400])
def test_cut_has_the_rows_of_the_plain_way(boots: int) -> None:
    columns, maps = frames(boots), clock(boots)
    edges = 10**18 + boots * 2 * 10**9, 10**18 + boots * 7 * 10**9
    names = ("boot", "seq_from", "seq_to", "inside", "before", "after", "untimed")
    rows = [row for row, _ in cut._of_stream(("wrist", "acc"), instants(columns, maps), edges)]
    assert [tuple(row[name] for name in names) for row in rows] == plain_cut(columns, maps, edges)


def test_frames_have_the_spans_and_ticks_of_the_plain_way(monkeypatch: pytest.MonkeyPatch) -> None:
    columns, maps = frames(30), clock(30)
    stamps = FrameStamps(*(columns[name] for name in ("boot", "seq", "ticks")), 1, columns["kind"])
    found = streams._frame_spans(LAYOUT, "acc", stamps, maps)
    rows = np.stack([found.boot, found.seq, found.start_ns, found.end_ns])
    assert (rows == plain_spans(stamps, maps)).all()
    monkeypatch.setattr(recorded, "columns_of", lambda *_: {("wrist", "acc"): columns})
    study = cast(Any, SimpleNamespace(results=None, layout_of=lambda *_: LAYOUT))
    (got,) = recorded.received(study, "S1", None).values()
    kept = is_in(columns["status"], DISTINCT)
    boots, ticks = columns["boot"][kept], columns["ticks"][kept]
    kind = LAYOUT.stream("acc").kind
    assert got.ticks == {
        (boot, kind): (int(ticks[boots == boot].min()), int(ticks[boots == boot].max()))
        for boot in np.unique(boots).tolist()
    }


def test_work_grows_with_the_frames_and_not_with_the_boots(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counts the elements of comparisons and sums: a mask for each boot would make 3000 times as many."""
    most = 40 * BOOTS * EACH
    columns, maps = counted(frames()), clock()
    stamps = FrameStamps(*(columns[name] for name in ("boot", "seq", "ticks")), 1, columns["kind"])
    assert len(streams._frame_spans(LAYOUT, "acc", stamps, maps).seq) > BOOTS
    assert 0 < Counted.work < most
    columns = counted(frames())
    rows = list(cut._of_stream(("wrist", "acc"), instants(columns, maps), (0, 2 * 10**18)))
    assert len(rows) == BOOTS
    assert 0 < Counted.work < most
    columns = counted(frames())
    monkeypatch.setattr(recorded, "columns_of", lambda *_: {("wrist", "acc"): columns})
    study = cast(Any, SimpleNamespace(results=None, layout_of=lambda *_: LAYOUT))
    assert len(next(iter(recorded.received(study, "S1", None).values())).ticks) > BOOTS // 2
    assert 0 < Counted.work < most
    assert len(
        timeline.knots_by_boot(*(maps[name].to_numpy() for name in ("boot", "ticks", "utc_ns")))
    ) == sum(number % 7 != 3 for number in range(BOOTS))
