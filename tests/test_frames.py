"""Stage `frames`: every byte accounted for, counters unwrapped, nothing guessed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import fastcrc
import numpy as np
import pandas as pd
import pyarrow as arrow
import pytest
from conftest import decode
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.layouts import Layout, encode_frames, load_layout, pack_counts
from nodeday.stages.frames.boot_fit import BootRules
from nodeday.stages.frames.boots import Frames, NodeClock
from nodeday.stages.frames.columns import CONFLICT, DUPLICATE, GOOD, LATE, STATUS, WINDOW
from nodeday.stages.frames.decode import Decoder
from nodeday.stages.frames.rejects import Reject
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.unwrap import StreamCounter, StreamPace, hub_steps, wrap_steps
from nodeday.stages.frames.validate import Spoken

LAYOUT = load_layout(Path(__file__).parents[1] / "config" / "layouts" / "beltframe.yaml")
NAMES = {0: "hub", 16: "heart", 17: "trunk"}


def ecg_frames(numbers: np.ndarray, seed: int = 0) -> list[bytes]:
    """Frames of the demo layout's ECG kind, 80 ms apart, as the hub would hand them on."""
    kind = LAYOUT.stream("ecg")
    counts = np.random.default_rng(seed).integers(0, 4096, (len(numbers), kind.samples, 1))
    fields = {
        "node": 16,
        "sequence": numbers,
        "ticks": np.rint(numbers * 2621.44).astype(np.int64),
        "hub_time": numbers * 80 + 5,
        "battery": 150,
        "rssi": -20,
        "lqi": 9,
    }
    return [row.tobytes() for row in encode_frames(LAYOUT, kind, fields, pack_counts(counts, kind))]


def decoded(raw: bytes, piece: int = 1 << 20, layout: Layout = LAYOUT) -> tuple[pd.DataFrame, list[Reject]]:
    return decode(raw, layout, NAMES, piece)


def assert_tiled(frames: pd.DataFrame, rejects: list[Reject], size: int) -> None:
    """No byte twice, none left out."""
    spans = [(o, o + n) for o, n in zip(frames.offset, frames.length, strict=True)]
    spans = sorted(spans + [(each.start, each.end) for each in rejects])
    at = 0
    for start, end in spans:
        assert start == at
        assert end > start
        at = end
    assert at == size


def naive_frame(raw: bytes, at: int) -> int:
    """End of the frame that begins at ``at``, 0 where none does; fastcrc makes the checksum."""
    sizes = {kind.kind: LAYOUT.frame_bytes(kind) for kind in LAYOUT.kinds}
    size = sizes.get(raw[at + 4] & 15, -1) if at + 10 <= len(raw) else -1
    whole = raw[at : at + max(size, 0)]
    good = (
        whole[:2] == b"\xd3\x91"
        and whole[2] + 3 == size == len(whole)
        and fastcrc.crc16.ibm_3740(whole[2:-8]) == int.from_bytes(whole[-8:-6], "big")
        and whole[3] in NAMES
    )
    return at + size if good else 0


def naive_scan(raw: bytes) -> list[int]:
    """Offsets of frames, read a byte at a time; of two that overlap, the followed one stands."""
    spans = [(at, end) for at in range(len(raw)) if (end := naive_frame(raw, at))]
    taken: list[tuple[int, int]] = []
    for at, end in spans:
        if not taken or at >= taken[-1][1]:
            taken.append((at, end))
        elif raw[end : end + 2] == b"\xd3\x91" != raw[taken[-1][1] : taken[-1][1] + 2]:
            taken[-1] = (at, end)
    return [at for at, _ in taken]


def test_clean_capture_is_all_frames() -> None:
    raw = b"".join(ecg_frames(np.arange(300)))
    frames, rejects = decoded(raw)
    assert len(frames) == 300
    assert not rejects
    assert (frames.status == "good").all()
    assert frames.seq.tolist() == list(range(300))
    assert frames.battery_v.to_numpy() == pytest.approx(3.5)
    assert frames.rssi_dbm.to_numpy() == pytest.approx(-84.0)


def test_bytes_that_are_no_frame() -> None:
    """Each reason where it belongs::

    junk | good | bad checksum | good | wrong node | unknown kind | good | truncated
    """
    good = ecg_frames(np.arange(4))
    bad = bytearray(good[1])
    bad[20] ^= 0xFF
    stranger = encode_frames(LAYOUT, LAYOUT.stream("ecg"), {"node": 99, "sequence": [1]})[0].tobytes()
    odd = bytearray(good[2])
    odd[4] = (odd[4] & 0xF0) | 9
    odd[-8:-6] = fastcrc.crc16.ibm_3740(bytes(odd[2:-8])).to_bytes(2, "big")
    raw = b"noise" + good[0] + bytes(bad) + good[1] + stranger + bytes(odd) + good[2] + good[3][:30]
    frames, rejects = decoded(raw)
    assert frames.seq.tolist() == [0, 1, 2]
    reasons = [each.reason for each in rejects]
    assert reasons == ["junk", "bad_checksum", "unknown_node", "unknown_kind", "truncated"]
    assert [each.address for each in rejects] == [None, None, 99, 16, None]
    assert_tiled(frames, rejects, len(raw))


def test_search_resumes_one_byte_past_a_false_sync_word() -> None:
    """A sync word whose claimed frame would swallow a good one must not hide it."""
    good = ecg_frames(np.arange(2))
    raw = good[0] + b"\xd3\x91\x2d\x10\x01" + good[1]
    frames, rejects = decoded(raw)
    assert frames.seq.tolist() == [0, 1]
    assert [each.reason for each in rejects] == ["bad_checksum"]
    assert_tiled(frames, rejects, len(raw))


def test_a_frame_whose_tail_was_lost_does_not_swallow_the_next() -> None:
    """The hub adds its stamp after the checksum, so a cut there leaves the checksum right::

    [sync .... cut]
                [sync ........][sync ...
    """
    good = ecg_frames(np.arange(3))
    raw = good[0][:-1] + good[1] + good[2]
    frames, rejects = decoded(raw)
    assert frames.seq.tolist() == [1, 2]
    assert_tiled(frames, rejects, len(raw))


@settings(deadline=None, max_examples=60)
@given(data=st.data())
def test_any_damage_any_cut(data: st.DataObject) -> None:
    """Damage, junk and lost bytes anywhere: the bytes tile, the cut into pieces does not matter,
    and a byte-by-byte reading with another library's checksum finds the same frames. Those whose
    counters no neighbour bears out, since the hub's stamps are hurt, are set aside as implausible; the last
    frame of a piece has no neighbour behind it."""
    raw = bytearray(b"".join(ecg_frames(np.arange(12), seed=3)))
    for _ in range(data.draw(st.integers(0, 6))):
        at = data.draw(st.integers(0, len(raw) - 1))
        how = data.draw(st.sampled_from(["flip", "insert", "cut", "sync"]))
        if how == "flip":
            raw[at] ^= data.draw(st.integers(1, 255))
        elif how == "insert":
            raw[at:at] = data.draw(st.binary(max_size=9))
        elif how == "sync":
            raw[at:at] = b"\xd3\x91\x2d\x10\x01"
        else:
            del raw[at : at + data.draw(st.integers(1, 60))]
    whole, rejects = decoded(bytes(raw))
    assert_tiled(whole, rejects, len(raw))
    aside = [each.start for each in rejects if each.reason == "implausible"]
    assert sorted([*whole.offset, *aside]) == naive_scan(bytes(raw))
    if aside:
        return
    cut, cut_rejects = decoded(bytes(raw), piece=data.draw(st.integers(1, 700)))
    assert cut_rejects == rejects
    pd.testing.assert_frame_equal(
        cut[["offset", "seq", "ticks"]], whole[["offset", "seq", "ticks"]], check_dtype=False
    )


@settings(deadline=None, max_examples=30)
@given(st.binary(max_size=3000), st.integers(1, 3000))
def test_noise_is_tiled(noise: bytes, piece: int) -> None:
    frames, rejects = decoded(noise, piece)
    if noise:
        assert_tiled(frames, rejects, len(noise))


def test_serial_numbers_near_the_wrap() -> None:
    """RFC 1982 section 3: with 8 bits, 255 + 1 is 0, and 44 is 100 past 200."""
    zero = np.zeros(2, np.int64)
    steps = wrap_steps(np.array([0 - 255, 44 - 200]), zero, 256)
    assert steps.tolist() == [1, 100]
    # The same residues, once the ticks say that a whole turn went by.
    assert wrap_steps(np.array([0 - 255, 44 - 200]), zero + 256, 256).tolist() == [257, 356]


def counted(numbers: list[int], raw: list[int]) -> tuple[list[int], list[str]]:
    counter = StreamCounter(StreamPace(2621.44, 256))
    ticks = np.rint(np.array(numbers) * 2621.44).astype(np.int64)
    digest = np.array(numbers, np.uint64) + np.uint64(7)
    seq, status = counter.unwrap(np.array(raw), ticks, digest)
    return seq.tolist(), [STATUS[each] for each in status]


def test_worked_sequence() -> None:
    """8-bit counter, a frame each 80 ms: loss, wrap, duplicate, late, an outage of a whole turn.

    Worked by hand: 2 lost before 255, none before 256, 257 late, 258 lost before 517::

        index  0   1   2   5   6   6   8   7  267
        sent 250 251 252 255   0   0   2   1    5
        seq  250 251 252 255 256 256 258 257  517
    """
    index = [0, 1, 2, 5, 6, 6, 8, 7, 267]
    seq, status = counted(index, [250, 251, 252, 255, 0, 0, 2, 1, 5])
    assert seq == [250, 251, 252, 255, 256, 256, 258, 257, 517]
    assert status == ["good"] * 5 + ["duplicate", "good", "late", "good"]
    lost = sorted(set(range(250, 518)) - set(seq))
    assert len(lost) == 2 + 258


def test_counter_that_restarts_while_its_ticks_go_on_is_placed_by_them() -> None:
    seq, status = counted([0, 1, 2, 3], [110, 111, 0, 1])
    assert seq == [110, 111, 112, 113]
    assert status == ["good", "good", "inconsistent", "good"]


def test_the_counter_counts_even_where_the_ticks_say_that_no_frame_is_missing() -> None:
    seq, status = counted([0, 1, 2, 3], [10, 11, 22, 23])
    assert seq == [10, 11, 22, 23]
    assert set(status) == {"good"}


def test_turns_that_time_cannot_choose_leave_the_length_unknown() -> None:
    """300 periods after number 1 comes number 2: 0 or 256 lost, and neither fits."""
    seq, status = counted([0, 1, 301, 302], [0, 1, 2, 3])
    assert seq == [0, 1, 2, 3]
    assert status == ["good", "good", "inconsistent", "good"]


def test_second_copy_with_other_content_is_a_conflict() -> None:
    counter = StreamCounter(StreamPace(100.0, 256))
    ticks = np.array([0, 100, 100])
    _, status = counter.unwrap(np.array([1, 2, 2]), ticks, np.array([1, 2, 3], np.uint64))
    assert status.tolist() == [GOOD, GOOD, CONFLICT]


@settings(deadline=None, max_examples=100)
@given(
    st.lists(st.tuples(st.integers(0, 12) | st.integers(WINDOW, WINDOW + 12), st.integers(0, 1)), min_size=1),
    st.integers(1, 20),
)
def test_copies_are_those_that_a_memory_of_everything_knows(frames: list[tuple[int, int]], cut: int) -> None:
    """The first frame of a number is the frame, whatever pieces the capture comes in; others repeat or
    contradict it, and what comes more than the window behind is believed neither."""
    number, digest = np.array(frames, np.int64).T
    counter, status = StreamCounter(StreamPace(1.0, 1 << 32)), []
    for at in range(0, len(number), cut):
        part = number[at : at + cut]
        content = digest[at : at + cut].astype(np.uint64)
        status += counter.unwrap(part, part, content)[1].tolist()
    known: dict[int, int] = {}
    for (one, content), told in zip(frames, status, strict=True):
        expected = LATE if known and one < max(known) else GOOD
        if one in known:
            expected = DUPLICATE if known[one] == content else CONFLICT
        if known and one < max(known) - WINDOW:
            expected = CONFLICT
        assert told == expected
        known.setdefault(one, content)


def of_node(
    clock: NodeClock, raw: Any, hub_ns: Any, boot_id: Any = 0, seq: Any = None
) -> tuple[list[bool], list[int], list[int]]:
    """Which frames of a node with one stream stand alone, boots and ticks."""
    raw, hub_ns = np.asarray(raw, np.int64), np.asarray(hub_ns, np.int64)
    zero = np.zeros(len(raw), np.int64)
    seq = np.arange(len(raw)) if seq is None else np.asarray(seq, np.int64)
    frames = Frames(raw, hub_ns, zero + boot_id, zero, seq, zero)
    lone, boot, ticks = clock.unwrap(frames)
    return lone.tolist(), boot.tolist(), ticks.tolist()


def test_ticks_wrap_and_restart() -> None:
    """24-bit ticks at 32,768 Hz wrap each 512 s (2**24 / 2**15); a restart starts a new boot."""
    hub = np.array([0, 500, 600, 1200, 1300, 1301], np.int64) * 1_000_000_000
    true = np.array([0, 500, 600, 1200, 0, 1], np.int64) * 32768
    clock = NodeClock(BootRules(32768.0, 1 << 24, {0: StreamPace(32768.0, 1 << 16)}))
    _, boot, ticks = of_node(clock, true % (1 << 24), hub, seq=true // 32768)
    assert boot == [0, 0, 0, 0, 1, 1]
    assert ticks == true.tolist()


def test_boot_number_starts_a_boot_even_where_ticks_agree() -> None:
    clock = NodeClock(BootRules(1000.0, 1 << 16, {0: StreamPace(1000.0, 256)}, has_boot_field=True))
    hub = np.arange(4, dtype=np.int64) * 1_000_000_000
    _, boot, ticks = of_node(clock, np.arange(4) * 1000, hub, [3, 3, 4, 4])
    assert boot == [0, 0, 1, 1]
    assert ticks == [0, 1000, 2000, 3000]


def test_one_false_hub_stamp_moves_nothing() -> None:
    steps, false = hub_steps(np.array([10, 20, 90_000, 40, 50]), 10, 32, 5000)
    assert false.tolist() == [False, False, True, False, False]
    assert np.cumsum(steps).tolist() == [0, 10, 10, 30, 40]


@settings(deadline=None, max_examples=50)
@given(
    st.lists(st.integers(1, 2000), min_size=1, max_size=60),
    st.integers(0, 255),
    st.floats(-100, 100),
)
def test_any_loss_is_counted_through_any_number_of_wraps(steps: list[int], first: int, ppm: float) -> None:
    """Ticks of a crystal up to 100 ppm off resolve a counter that wraps again and again."""
    numbers = np.cumsum([0, *steps])
    raw = (numbers + first) % 256
    ticks = np.rint(numbers * 2621.44 * (1 + ppm * 1e-6)).astype(np.int64)
    counter = StreamCounter(StreamPace(2621.44, 256))
    seq, status = counter.unwrap(raw, ticks, numbers.astype(np.uint64))
    assert (seq - first).tolist() == numbers.tolist()
    assert set(status) == {GOOD}


def test_two_layouts_share_a_capture() -> None:
    """Two firmwares, two sync words: each node's frames are read in its own layout, in order."""
    other = Layout.model_validate(
        {**LAYOUT.model_dump(exclude_unset=True), "layout": "other", "sync": "5A A5 01"}
    )
    kind = other.stream("acc")
    counts = np.random.default_rng(1).integers(-2048, 2048, (40, kind.samples, 3))
    fields = {
        "node": 17,
        "sequence": np.arange(40),
        "ticks": np.arange(40) * 6554,
        "hub_time": np.arange(40) * 200,
    }
    second = [row.tobytes() for row in encode_frames(other, kind, fields, pack_counts(counts, kind))]
    first = ecg_frames(np.arange(100))
    mixed = [
        *zip(np.arange(100) * 80 + 5, first, strict=True),
        *zip(np.arange(40) * 200, second, strict=True),
    ]
    raw = b"".join(frame for _, frame in sorted(mixed, key=lambda item: item[0]))
    spoken = [Spoken(LAYOUT, np.array([0, 16])), Spoken(other, np.array([17]))]
    decoder = Decoder([LAYOUT, other], NAMES)
    found = [decoder.decode(block) for block in scan([raw[:999], raw[999:]], spoken)]
    frames = arrow.concat_tables([each.frames for each in found]).to_pandas()
    assert not [reject for each in found for reject in each.rejects]
    assert frames.offset.is_monotonic_increasing
    assert frames[frames.node == "heart"].seq.tolist() == list(range(100))
    assert frames[frames.node == "trunk"].seq.tolist() == list(range(40))
    assert set(frames[frames.node == "trunk"].stream) == {"acc"}


def test_a_frame_that_no_neighbour_bears_out_stays_without_a_place() -> None:
    """A whole frame with a right checksum whose ticks are far off: it was received, and is kept."""
    good = ecg_frames(np.arange(6))
    false = ecg_frames(np.array([90_000]))[0]
    raw = b"".join([*good[:3], false[:-6] + good[2][-6:], *good[3:]])
    frames, rejects = decoded(raw)
    in_place = frames[frames.status != "unplaced"]
    assert in_place.seq.tolist() == list(range(6))
    assert set(frames.boot) == {0}
    assert frames[frames.status == "unplaced"].offset.tolist() == [3 * 48]
    assert not rejects


def test_a_restart_is_borne_out_by_the_frame_behind_it() -> None:
    hub = np.array([0, 10, 20, 30, 40], np.int64) * 1_000_000_000
    raw, seq = np.array([0, 10_000, 700, 10_700, 20_700]), np.array([0, 10, 0, 10, 20])

    def clock() -> NodeClock:
        return NodeClock(BootRules(1000.0, 1 << 24, {0: StreamPace(1000.0, 1 << 16)}))

    lone, boot, _ = of_node(clock(), raw, hub, seq=seq)
    assert not any(lone)
    assert boot == [0, 0, 1, 1, 1]
    # Live frames go on from before: what came between was late if its counter agrees, else it stands alone.
    raw[3:], seq[3:] = (30_000, 40_000), (30, 40)
    lone, boot, ticks = of_node(clock(), raw, hub, seq=seq)
    assert not any(lone)
    assert boot == [0, 0, 0, 0, 0]
    assert ticks == [0, 10_000, 700, 30_000, 40_000]
    seq[2] = 500
    lone, boot, ticks = of_node(clock(), raw, hub, seq=seq)
    assert lone == [False, False, True, False, False]
    assert boot == [0, 0, 0, 0, 0]
    assert ticks[:2] + ticks[3:] == [0, 10_000, 30_000, 40_000]


S_NS = 1_000_000_000


def test_stored_frames_that_are_sent_on_stay_in_their_boot() -> None:
    """Ten seconds out of reach at a frame a second, then all at once: late, and nothing lost."""
    clock = NodeClock(BootRules(1000.0, 1 << 24, {0: StreamPace(1000.0, 256)}))
    sent = np.arange(40)
    hub = np.where((sent >= 10) & (sent < 20), 20 * S_NS + sent, sent * S_NS)
    lone, boot, ticks = of_node(clock, sent * 1000, np.maximum.accumulate(hub), seq=sent % 256)
    assert not any(lone)
    assert set(boot) == {0}
    assert ticks == (sent * 1000).tolist()


def test_stored_frames_mixed_with_live_ones_stay_in_their_boot() -> None:
    clock = NodeClock(BootRules(1000.0, 1 << 24, {0: StreamPace(100.0, 256)}))
    live, old = np.arange(300, 400), np.arange(100, 200)
    sent = np.concatenate([np.arange(100), np.stack([live, old], axis=1).ravel(), np.arange(400, 500)])
    arrived = np.concatenate([np.arange(100), np.repeat(live, 2), np.arange(400, 500)])
    lone, boot, ticks = of_node(clock, sent * 100, arrived * S_NS // 10, seq=sent % 256)
    assert not any(lone)
    assert set(boot) == {0}
    assert ticks == (sent * 100).tolist()


def test_two_devices_with_one_address_are_two_boots() -> None:
    clock = NodeClock(BootRules(1000.0, 1 << 24, {0: StreamPace(100.0, 256)}))
    number = np.arange(200)
    raw = np.stack([number * 100, 5_000_000 + number * 100], axis=1).ravel()
    seq = np.stack([number % 256, (77 + number) % 256], axis=1).ravel()
    lone, boot, ticks = of_node(clock, raw, np.repeat(number, 2) * S_NS // 10, seq=seq)
    assert not any(lone)
    assert boot == [0, 1] * 200
    assert ticks == raw.tolist()


def test_a_pause_is_no_loss_and_no_restart() -> None:
    clock = NodeClock(BootRules(1000.0, 1 << 24, {0: StreamPace(100.0, 256)}))
    number = np.arange(60)
    ticks = number * 100 + np.where(number > 30, 10_000, 0)
    _, boot, found = of_node(clock, ticks, ticks * 1_000_000, seq=number)
    assert set(boot) == {0}
    seq, status = StreamCounter(StreamPace(100.0, 256)).unwrap(
        number, np.array(found), number.astype(np.uint64)
    )
    assert seq.tolist() == number.tolist()
    assert set(status) == {GOOD}
