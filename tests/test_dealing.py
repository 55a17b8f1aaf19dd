"""Samples dealt out over several frames, and differences instead of whole counts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import yaml
from conftest import samples_in
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.cli.init.folder import copy_settings
from nodeday.config.study import Study
from nodeday.core.paths import DEMO_CONFIG
from nodeday.layouts import Kind, instant_of, pack_counts, unpack_counts
from nodeday.stages.simulate.truth import Truth
from nodeday.storage import samples, tables


def kind(**settings: Any) -> Kind:
    channels = tuple({"name": name, "unit": "g"} for name in "xyz"[: settings.pop("width", 1)])
    whole = {"kind": 1, "stream": "acc", "rate_hz": 50, "samples": 4, "channels": channels, **settings}
    return Kind.model_validate(whole)


def test_instants_of_dealt_frames() -> None:
    """Drawn in ``Kind``: two frames of three samples share six instants."""
    two = kind(samples=3, interleave=2, bits=16)
    found = instant_of(two, np.arange(4)[:, None], np.arange(3))
    assert found.tolist() == [[0, 2, 4], [1, 3, 5], [6, 8, 10], [7, 9, 11]]
    plain = kind(samples=3, bits=16)
    assert instant_of(plain, np.arange(2)[:, None], np.arange(3)).tolist() == [[0, 1, 2], [3, 4, 5]]


def test_differences_by_hand() -> None:
    """First count whole, 16 bits little-endian, then signed bytes: 1000, +5, -3, +127."""
    one = kind(bits=16, delta_bits=8, signed=True)
    payload = pack_counts(np.array([[[1000], [1005], [1002], [1129]]]), one)
    assert payload.tobytes() == (1000).to_bytes(2, "little") + bytes([5, 0xFD, 127])
    assert unpack_counts(payload, one).ravel().tolist() == [1000, 1005, 1002, 1129]


@settings(deadline=None, max_examples=50)
@given(data=st.data())
def test_differences_round_trip(data: st.DataObject) -> None:
    width, delta = data.draw(st.integers(1, 3)), data.draw(st.sampled_from([4, 8, 12, 16]))
    order = data.draw(st.sampled_from(["big", "little"]))
    one = kind(width=width, samples=5, bits=16, delta_bits=delta, signed=True, order=order)
    most = (1 << (delta - 1)) - 1
    steps = data.draw(st.lists(st.integers(-most - 1, most), min_size=4 * width, max_size=4 * width))
    first = data.draw(st.lists(st.integers(-1000, 1000), min_size=width, max_size=width))
    counts = np.cumsum(np.array([*first, *steps]).reshape(1, 5, width), axis=1)
    if np.abs(counts).max() < 1 << 15:
        assert unpack_counts(pack_counts(counts, one), one).tolist() == counts.tolist()


def test_a_difference_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="differences 200 to 200 do not fit 8 bits"):
        pack_counts(np.array([[[0], [200], [400], [600]]]), kind(bits=16, delta_bits=8, signed=True))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A short lossy session whose accelerations are dealt over 4 frames and sent as differences."""
    from nodeday.stages.clock.stage import run as clock
    from nodeday.stages.frames.stage import run as frames
    from nodeday.stages.loss.stage import run as loss
    from nodeday.stages.repair.stage import run as repair
    from nodeday.stages.simulate.stage import run as simulate

    folder = tmp_path_factory.mktemp("dealt") / "s"
    copy_settings(folder, DEMO_CONFIG, scenario=True)
    layout = folder / "config" / "layouts" / "beltframe.yaml"
    told = yaml.safe_load(layout.read_text())
    told["kinds"][1] |= {"interleave": 4, "bits": 16, "delta_bits": 16}
    told["kinds"][0] |= {"stamp": "first"}
    layout.write_text(yaml.safe_dump(told))
    plan = yaml.safe_load((folder / "config" / "scenario.yaml").read_text())
    plan["sessions"]["S01-clean"] |= {
        "phases": [{"phase": "work", "minutes": 8, "bpm": 90, "gait": 0.5}],
        "taps_min": [1],
        "channel": {"loss": 0.05, "burst": 1, "late": 0.01},
    }
    (folder / "config" / "scenario.yaml").write_text(yaml.safe_dump(plan))
    simulate(folder, "S01-clean")
    whole = Study(folder)
    for stage in (frames, clock, loss, repair):
        stage(whole, "S01-clean")
    return whole


def test_a_lost_dealt_frame_leaves_no_stretch_of_holes(study: Study) -> None:
    rows = samples_in(study, "S01-clean", "wrist", "acc")
    tables.validate(samples.table_of(study.layout_of("S01-clean").stream("acc")), rows)
    lost = (rows.origin != "measured").to_numpy()
    assert 0.03 < lost.mean() < 0.07
    edges = np.flatnonzero(np.diff(np.concatenate([[0], lost, [0]])))
    assert np.median(edges[1::2] - edges[::2]) == 1
    spacing = np.diff(rows.utc_ns.to_numpy())
    assert abs(spacing - 20e6).max() < 0.1e6


@pytest.mark.parametrize("key", ["wrist/acc", "heart/ecg"])
def test_times_are_those_of_the_truth(study: Study, key: str) -> None:
    """Dealt frames, and frames that stamp their first sample: the wait before sending is no delay."""
    truth = Truth.load(study.root / "captures" / "S01-clean.truth.npz").streams[key]
    node, stream = key.split("/")
    kinds = study.layout_of("S01-clean").stream(stream)
    stamped = kinds.samples - 1 if kinds.stamp == "last" else 0
    rows = samples_in(study, "S01-clean", node, stream)
    rows = rows[(rows.position == stamped) & (rows.origin == "measured")]
    shift = int(rows.seq.iloc[0] - truth.seq[truth.received][0])
    true = truth.utc_ns[np.searchsorted(truth.seq, rows.seq - shift)]
    error = (rows.utc_ns.to_numpy() - true) / 1e6
    assert np.abs(error).max() < 2.0
