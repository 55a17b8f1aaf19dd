"""Captures of one session merged: the union of what each heard, and nothing chosen quietly."""

from __future__ import annotations

import importlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as arrow
import pytest
from conftest import samples_in, stored
from hypothesis import given, settings
from hypothesis import strategies as st
from nodeday.schemas import codes

from nodeday.config.models import Node
from nodeday.config.study import Study
from nodeday.core.errors import ContractError
from nodeday.layouts import crc, encode_frames, load_layout, pack_counts
from nodeday.stages.frames import merge
from nodeday.stages.frames.columns import DISTINCT, FrameRows
from nodeday.stages.frames.decode import Decoder
from nodeday.stages.frames.memory import OwnTime
from nodeday.stages.frames.scan import scan
from nodeday.stages.frames.validate import Spoken
from nodeday.stages.simulate.scenario import (
    NodePlan,
    Outage,
    PlannedPhase,
    RadioChannel,
    SessionPlan,
    random_scenario,
)
from nodeday.stages.simulate.session import simulate_session
from nodeday.stages.simulate.truth import Truth
from nodeday.storage import tables

ROOT = Path(__file__).parents[1]
LAYOUT = load_layout(ROOT / "config" / "layouts" / "beltframe.yaml")
NODES: dict[int, Node] = Study(ROOT).nodes_of("S01-clean")
NAMES = {address: node.node for address, node in NODES.items()}
NODE_NAMES, STREAMS = sorted(NAMES.values()), sorted(kind.stream for kind in LAYOUT.kinds)
PACES = {
    (node, STREAMS.index(kind.stream)): merge.FramePeriod(256, kind.period_s * 32768, 32768.0)
    for node in range(len(NODE_NAMES))
    for kind in LAYOUT.kinds
}
HUB_RANGE_NS = (1 << 32) * 1_000_000
CAPTURES = 100


def decoded(raw: bytes, number: int = 0) -> arrow.Table:
    decoder, own_time = Decoder([LAYOUT], NAMES, capture=number), OwnTime()
    blocks = scan([raw], [Spoken(LAYOUT, np.array(sorted(NODES)))])
    return arrow.concat_tables([decoder.decode(own_time.stamped(b)).frames for b in blocks])


def heard(raw: bytes, number: int = 0) -> FrameRows:
    return FrameRows.of(decoded(raw, number), HUB_RANGE_NS)


def second(plan: SessionPlan, hub: str = "second", **changes: object) -> SessionPlan:
    """The same session as another hub hears it."""
    return plan.model_copy(update={"hub": hub, "hub_start_s": None, "outages": (), **changes})


def distinct(captures: list[FrameRows], node: str, stream: str, boot: int) -> np.ndarray:
    """Numbers of the distinct frames of all captures, sorted."""
    code, kind = NODE_NAMES.index(node), STREAMS.index(stream)
    parts = [
        each.seq[
            (each.node == code) & (each.stream == kind) & (each.boot == boot) & np.isin(each.status, DISTINCT)
        ]
        for each in captures
    ]
    return np.sort(np.concatenate(parts))


def differences(captures: list[FrameRows], truths: list[Truth]) -> list[str]:
    """What the merged captures say otherwise than the union of the truths; best empty.

    A boot of a node that the first hub did not hear at all cannot be placed.
    """
    wrong = []
    for key, sent in truths[0].streams.items():
        node, stream = key.split("/")
        if node == "hub":
            continue
        own = [s for k, s in truths[0].streams.items() if k.startswith(f"{node}/")]
        boots = np.unique(np.concatenate([s.boot[s.received] for s in own]))
        received = np.any([truth.streams[key].received for truth in truths], axis=0)
        for number, boot in enumerate(boots):
            found, true = distinct(captures, node, stream, number), sent.seq[(sent.boot == boot) & received]
            if len(found) != len(true) or (
                len(found) and not np.array_equal(found - found[0], true - true[0])
            ):
                wrong.append(f"{key} boot {boot}: {len(found)} frames, truly {len(true)}, or elsewhere")
    return wrong


@pytest.mark.parametrize("first", range(0, CAPTURES, 25))
def test_two_hubs_give_the_union_of_what_each_heard(first: int) -> None:
    """The second hub has another clock, other losses, other junk, and no outage."""
    wrong, recovered = [], 0
    for seed in range(first, first + 25):
        plan = random_scenario(seed)
        (one, truth), (other, truth_other) = (
            simulate_session(each, LAYOUT, NODES) for each in (plan, second(plan))
        )
        before = heard(one)
        merged = merge.merge([before, heard(other, 1)], PACES)
        for name, values in vars(before).items():
            assert np.array_equal(values, getattr(merged[0], name)), name
        wrong += [f"seed {seed}: {each}" for each in differences(merged, [truth, truth_other])]
        recovered += int(np.isin(merged[1].status, DISTINCT).sum())
    assert not wrong, "\n".join(wrong)
    assert recovered > 10_000


def test_stamps_of_recovered_frames_are_on_the_first_hubs_clock() -> None:
    plan = random_scenario(4).model_copy(update={"restarts": (), "deaths": ()})
    (one, truth), (other, _) = (simulate_session(each, LAYOUT, NODES) for each in (plan, second(plan)))
    merged = merge.merge([heard(one), heard(other, 1)], PACES)
    for key, sent in truth.streams.items():
        node, stream = key.split("/")
        rows = (merged[1].node == NODE_NAMES.index(node)) & (merged[1].stream == STREAMS.index(stream))
        rows &= np.isin(merged[1].status, DISTINCT)
        if node == "hub" or not rows.any():
            continue
        ticks = merged[1].ticks[rows]
        place = np.searchsorted(sent.ticks, ticks)
        assert np.array_equal(sent.ticks[place], ticks), key
        late_ms = (merged[1].hub_ns[rows] - sent.hub_ns[place]) / 1e6
        assert np.median(late_ms) < 30, key
        assert late_ms.min() > -2, key


@settings(deadline=None, max_examples=10)
@given(st.integers(0, 60))
def test_a_capture_merged_with_itself_adds_duplicates_alone(seed: int) -> None:
    before = heard(simulate_session(random_scenario(seed), LAYOUT, NODES)[0])
    first, again = merge.merge([before, before], PACES)
    assert np.array_equal(first.status_names, before.status_names)
    assert set(again.status_names) <= {"duplicate", "conflict"}
    for name in ("boot", "seq", "ticks"):
        assert np.array_equal(getattr(again, name), getattr(before, name)), name
    # Two frames of one place with different content contradict each other again.
    assert ((again.status_names == "conflict") <= (before.status_names == "conflict")).all()


def test_the_order_of_further_captures_does_not_change_what_is_there() -> None:
    """The third shares frames with the second alone: the first hears nothing after a minute."""
    plan = random_scenario(8).model_copy(update={"restarts": (), "deaths": (), "outages": ()})
    raw = [simulate_session(each, LAYOUT, NODES)[0] for each in (plan, second(plan, "b"), second(plan, "c"))]
    one, other, third = heard(raw[0][:20_000]), heard(raw[1], 1), heard(raw[2][30_000:], 2)
    results = [merge.merge(order, PACES) for order in ([one, other, third], [one, third, other])]
    alone = merge.merge([one, third], PACES)[1]
    assert (alone.status_names == "unplaced").all()
    assert not (results[0][2].status_names[results[0][2].node != NODE_NAMES.index("hub")] == "unplaced").any()
    for node in NODE_NAMES:
        for stream in STREAMS:
            sets = [distinct(each, node, stream, 0) for each in results]
            assert np.array_equal(*sets), f"{node}/{stream}"
            assert len(np.unique(sets[0])) == len(sets[0])


def test_altered_content_with_a_right_checksum_is_a_conflict_and_stays() -> None:
    """Frames 10 and 20 of the second copy carry other samples::

    first      .. 9 10 11 .. 19 20 21 ..
    second     .. 9 !! 11 .. 19 !! 21 ..      conflict, twice; the others duplicate
    """
    raw = heart_frames(np.arange(40))
    changed = raw.copy()
    for row in (10, 20):
        changed[row, 12] ^= 0xFF
        checksum = LAYOUT.field("checksum")
        assert checksum is not None
        sums = crc.checksums(checksum.sum, changed[row : row + 1, 2:-8])
        changed[row, -8:-6] = np.frombuffer(int(sums[0]).to_bytes(2, "big"), np.uint8)
    first, other = merge.merge([heard(raw.tobytes()), heard(changed.tobytes(), 1)], PACES)
    assert (first.status_names == "good").all()
    assert np.flatnonzero(other.status_names == "conflict").tolist() == [10, 20]
    assert (np.delete(other.status_names, [10, 20]) == "duplicate").all()


def heart_frames(numbers: np.ndarray, seed: int = 0, hub_ms: int = 5) -> np.ndarray:
    """Frames of the heart's ECG, 80 ms apart; the content of a number is always the same."""
    kind = LAYOUT.stream("ecg")
    counts = np.random.default_rng(seed).integers(0, 4096, (int(numbers.max()) + 1, kind.samples, 1))[numbers]
    fields = {
        "node": 16,
        "sequence": numbers,
        "ticks": np.rint(numbers * 2621.44).astype(np.int64),
        "hub_time": numbers * 80 + hub_ms,
        "battery": 150,
        "rssi": -20,
        "lqi": 9,
    }
    return encode_frames(LAYOUT, kind, fields, pack_counts(counts, kind))


def test_worked_merge() -> None:
    """As in the module's drawing; the second hub's clock is 1000 s ahead::

    first     20 21 22 -- -- 25 26
    second             23 24 25 26 27
    """
    one = heart_frames(np.array([20, 21, 22, 25, 26]))
    other = heart_frames(np.array([23, 24, 25, 26, 27]), hub_ms=1_000_005)
    _, merged = merge.merge([heard(one.tobytes()), heard(other.tobytes(), 1)], PACES)
    assert merged.seq.tolist() == [23, 24, 25, 26, 27]
    assert merged.status_names.tolist() == ["good", "good", "duplicate", "duplicate", "good"]
    assert ((merged.hub_ns - (merged.seq * 80 + 5) * 1_000_000) < 1_000_000).all()


def test_a_stretch_that_shares_nothing_stays_unplaced() -> None:
    one, other = heart_frames(np.arange(50)), heart_frames(np.arange(100, 150))
    _, merged = merge.merge([heard(one.tobytes()), heard(other.tobytes(), 1)], PACES)
    assert (merged.status_names == "unplaced").all()


def test_a_constant_signal_that_fits_two_places_is_put_in_neither() -> None:
    """Every 512 s both counters and a constant payload come back. One hub heard half of the first
    minute and the tenth, the other the first: its frames fit the tenth as well, and better."""
    whole = constant(np.arange(7100))
    early, late = np.arange(0, 700, 2), np.arange(6400, 7100)
    other = heard(whole[:700].tobytes(), 1)
    both = heard(whole[np.concatenate([early, late])].tobytes())
    assert (merge.merge([both, other], PACES)[1].status_names == "unplaced").all()
    _, merged = merge.merge([heard(whole[early].tobytes()), other], PACES)
    assert merged.seq[merged.status_names == "good"].tolist() == list(range(1, 700, 2))


def constant(numbers: np.ndarray) -> np.ndarray:
    kind = LAYOUT.stream("ecg")
    fields = {
        "node": 16,
        "sequence": numbers,
        "ticks": np.rint(numbers * 2621.44).astype(np.int64),
        "hub_time": numbers * 80 + 5,
    }
    return encode_frames(LAYOUT, kind, fields, pack_counts(np.full((len(numbers), 20, 1), 7), kind))


def test_a_jump_of_one_hubs_clock_ends_no_boot() -> None:
    """The counters of the node go on, so what the second hub received lies between::

    first     0 .. 49 | 100 .. 149        its own clock jumps by 5000 s
    second    0 ............. 149
    """
    early, later = heart_frames(np.arange(50)), heart_frames(np.arange(100, 150), hub_ms=5_000_000)
    first = heard(early.tobytes() + later.tobytes())
    assert np.unique(first.boot).tolist() == [0]
    # Two frames of the stream, so that contents agree: seeds are the same, sizes are not.
    whole = heart_frames(np.arange(150))
    whole[:50], whole[100:] = early, heart_frames(np.arange(100, 150))
    _, merged = merge.merge([first, heard(whole.tobytes(), 1)], PACES)
    assert set(merged.boot.tolist()) == {0}
    assert merged.status_names.tolist() == ["duplicate"] * 50 + ["good"] * 50 + ["duplicate"] * 50


def memory_of(raw: bytes, node: str) -> bytes:
    """What the node's own memory holds: its frames in order, no hub stamp, no signal strength."""
    kept = []
    for block in scan([raw], [Spoken(LAYOUT, np.array(sorted(NODES)))]):
        for found in block.frames:
            address = next(number for number, name in NAMES.items() if name == node)
            rows = found.frames[:, 3] == address
            frames = found.frames[rows].copy()
            frames[:, -6:] = 0
            kept += list(zip(found.start[rows].tolist(), frames, strict=True))
    return b"".join(frame.tobytes() for _, frame in sorted(kept, key=lambda each: each[0]))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("node", ["heart", "skin"])
def test_a_nodes_own_memory_without_hub_stamps(node: str, seed: int) -> None:
    """A memory loses nothing. Restarts included; skin's frames are 4 s apart."""
    plan = random_scenario(seed)
    one, truth = simulate_session(plan, LAYOUT, NODES)
    clean, truth_clean = simulate_session(
        second(plan, channel=RadioChannel(), junk=0.0, truncated=False), LAYOUT, NODES
    )
    merged = merge.merge([heard(one), heard(memory_of(clean, node), 1)], PACES)
    kept = replace(truth, streams={k: v for k, v in truth.streams.items() if k.startswith(f"{node}/")})
    assert not differences(merged, [kept, truth_clean])


# --- through the stages ---------------------------------------------------------------------------


PLAN = SessionPlan(
    name="S1",
    seed=5,
    start="2026-07-14T05:00:00Z",
    phases=(PlannedPhase(phase="work", minutes=4, gait=0.4),),
    nodes={"heart": NodePlan(streams=("ecg",)), "skin": NodePlan(streams=("temp",))},
    channel=RadioChannel(loss=0.1, burst=4, duplicates=0.01, corrupt=0.01),
    outages=(Outage(at_min=2, minutes=0.5),),
)


@pytest.fixture
def merged_study(study_folder: Callable[..., Path]) -> tuple[Study, Truth, Truth]:
    root = study_folder(
        **{
            "sessions.tsv": "session\tparticipant\tcaptures\tlayout\n"
            "S1\tP1\tcaptures/S1.bin | captures/second.bin\tbeltframe\n",
            "nodes.tsv": "session\tnode\taddress\tplacement\n*\thub\t0\thub\n*\theart\t16\tchest\n"
            "*\tskin\t20\tback\n",
        }
    )
    study = Study(root)
    truths = []
    for name, plan in (("S1", PLAN), ("second", second(PLAN))):
        raw, truth = simulate_session(plan, LAYOUT, study.nodes_of("S1"))
        (root / "captures" / f"{name}.bin").write_bytes(raw)
        truths.append(truth)
    return study, truths[0], truths[1]


def run(study: Study, *stages: str) -> None:
    for stage in stages:
        importlib.import_module(f"nodeday.stages.{stage}.stage").run(study, "S1")


def test_from_captures_to_samples(merged_study: tuple[Study, Truth, Truth]) -> None:
    study, truth, other = merged_study
    run(study, "frames", "clock", "loss", "repair")
    frames = stored(study.results, "frames", "S1")
    placed = frames[frames.status.isin(codes.DISTINCT)]
    for key in ("heart/ecg", "skin/temp"):
        node, stream = key.split("/")
        own = placed[(placed.node == node) & (placed.stream == stream)]
        one, more = truth.streams[key].received, other.streams[key].received
        assert (own.capture == 0).sum() == one.sum()
        assert (own.capture == 1).sum() == (more & ~one).sum() > 0
        size = LAYOUT.stream(stream).samples
        counted = samples_in(study, "S1", node, stream).origin.value_counts()
        assert counted["recovered"] == size * (more & ~one).sum()
        assert counted["measured"] == size * one.sum()
    raw = samples_in(study, "S1", "heart", "ecg")
    recovered = raw[raw.origin == "recovered"]
    at = truth.streams["heart/ecg"].utc_ns
    assert (recovered.utc_ns > at[0]).all()
    steps = np.diff(raw.utc_ns)
    assert abs(np.median(steps) - 4e6) < 1000
    assert frames[(frames.node == "hub") & (frames.capture == 1)].status.eq("unplaced").all()


def test_the_ledger_of_two_captures_balances(merged_study: tuple[Study, Truth, Truth]) -> None:
    study, *_ = merged_study
    run(study, "frames")
    ledger = tables.read(tables.path(study.results, "ledger", "S1", "frames"), "ledger")
    assert (ledger.entered == ledger.accounted).all()
    frames = stored(study.results, "frames", "S1")
    rejects = tables.read(tables.path(study.results, "rejects", "S1"), "rejects")
    for number, name in enumerate(("S1", "second")):
        size = (study.root / "captures" / f"{name}.bin").stat().st_size
        own, other = frames[frames.capture == number], rejects[rejects.capture == number]
        assert own.length.sum() + other.length.sum() == size
        row = ledger[(ledger.quantity == "frames") & (ledger.scope == f"capture {number}")].iloc[0]
        parts = dict(part.rsplit(" ", 1) for part in row.detail.split(", "))
        for status, count in own.status.value_counts().items():
            assert int(parts.get(status, 0)) == count
    facts = json.loads((study.results / "captures" / "S1.json").read_text())
    assert [(each["capture"], each["file"]) for each in facts] == [(0, "S1.bin"), (1, "second.bin")]


def test_a_memory_that_comes_first_needs_a_hub(merged_study: tuple[Study, Truth, Truth]) -> None:
    study, *_ = merged_study
    capture = study.root / "captures" / "S1.bin"
    raw = capture.read_bytes()
    capture.write_bytes(memory_of(raw, "heart") + memory_of(raw, "skin"))
    with pytest.raises(ContractError) as error:
        run(study, "frames")
    assert str(error.value) == (
        "session S1: the first capture has no hub stamps, and nothing else ties the clocks of several nodes "
        "together; expected a hub's capture before the | and readouts of memories behind it."
    )
