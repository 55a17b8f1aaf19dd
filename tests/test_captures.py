"""nodeday against captures whose truth it did not make: open radio captures, and histories made by hand."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import capture_cases as cases
import captures
import numpy as np
import pandas as pd
import pytest
from captures import NodeTruth, Recording, truth_of, write_study
from conftest import samples_in

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import GOOD
from nodeday.storage import tables

OPEN_DATA = os.environ.get("NODEDAY_OPEN_DATA")
needs_open_data = pytest.mark.skipif(not OPEN_DATA, reason="NODEDAY_OPEN_DATA is not set")
SECOND_COPIES = ("duplicate", "conflict")
COUNTING = ("frames", "loss")
TIMING = (*COUNTING, "clock", "repair", "features")


def table(root: Path, name: str) -> pd.DataFrame:
    return tables.read(tables.path(Study(root).results, name, "S1"), name)


def study_of(root: Path, recording: Recording, stages: tuple[str, ...]) -> Path:
    """A study of one session, its stages run."""
    write_study(root / "study", {"S1": recording})
    for stage in stages:
        assert main(["stage", stage, "S1", "--study", str(root / "study")]) == GOOD, f"stage {stage}"
    return root / "study"


def reported(root: Path) -> dict[str, NodeTruth]:
    """What nodeday counts of each node, as the truth has it."""
    frames, gaps = (table(root, name) for name in ("frames", "gaps"))
    out = {}
    for node, own in frames[frames["stream"] == "level"].groupby("node", observed=True):
        copies = own["status"].isin(SECOND_COPIES)
        lost = gaps.loc[(gaps["node"] == node) & (gaps["extent"] == "known"), "frames"].sum()
        late = int((own["status"] == "late").sum())
        out[str(node)] = NodeTruth(
            int((~copies).sum()), int(copies.sum()), int(lost), late, own["boot"].nunique()
        )
    return out


def assert_counts(root: Path, recording: Recording) -> None:
    """Every frame in its place: counts of each node as the truth has them, and no frame rejected."""
    tool, truth = reported(root), truth_of(recording.log)
    assert {name: asdict(one) for name, one in tool.items()} == {n: asdict(one) for n, one in truth.items()}
    assert table(root, "rejects").empty


def errors_s(root: Path, recording: Recording) -> pd.DataFrame:
    """How far the time of each received sample is off its truth, and the clock's band there, in s."""
    start_s, clock, parts = captures.START.timestamp(), table(root, "clock"), []
    for node in truth_of(recording.log):
        got = samples_in(root, "S1", node, "level", "level")
        got = got[got["origin"].isin(["measured", "recovered"])]
        made = {one.value: one.made_s for one in recording.log if f"n{one.address}" == node}
        error = got["utc_ns"] / 1e9 - start_s - got["raw"].astype(int).map(made)
        knots = clock[clock["node"] == node]
        band = np.interp(got["utc_ns"], knots["utc_ns"], knots["uncertainty_ms"]) / 1e3
        parts.append(pd.DataFrame({"node": node, "error": error.to_numpy(float), "band": band}))
    return pd.concat(parts)


def assert_times(root: Path, recording: Recording) -> None:
    """Every sample at its true time: no error of twice the 95 % band that the clock states."""
    found = errors_s(root, recording)
    assert found["error"].notna().all()
    worst = (found["error"].abs() / found["band"]).groupby(found["node"]).max()
    assert (worst < 2).all(), worst.to_dict()


# --- open captures -------------------------------------------------------------------------------


def radio(name: str) -> Path:
    return Path(OPEN_DATA or "") / "radio" / name


MULTIHOP, SUB_GHZ = "multihop-154e-45min.log.gz", "subghz-tx-rx-4-sites.json.gz"


TICKS = ("made", "last_hop", "none")
SESSIONS = ("site1", "site2", "site3", "site4", "all-sites", "together")


@needs_open_data
@pytest.mark.parametrize("ticks", TICKS)
def test_a_multi_hop_network(tmp_path: Path, ticks: captures.Ticks) -> None:
    """Packets up to two minutes late, second copies, and restarts across which the network's time goes on."""
    recording = captures.multihop(radio(MULTIHOP), ticks)
    truth = truth_of(recording.log).values()
    assert (sum(one.received for one in truth), sum(one.duplicates for one in truth)) == (5392, 1089)
    assert_counts(study_of(tmp_path, recording, COUNTING), recording)


@needs_open_data
@pytest.mark.parametrize("ticks", TICKS)
def test_a_multi_hop_network_has_features(tmp_path: Path, ticks: captures.Ticks) -> None:
    study_of(tmp_path, captures.multihop(radio(MULTIHOP), ticks), TIMING)


@needs_open_data
@pytest.mark.parametrize("session", SESSIONS)
def test_a_sub_ghz_link(tmp_path: Path, session: str) -> None:
    """The list of transmissions tells exactly what was lost; the log has whole seconds."""
    recordings, links = captures.sub_ghz(radio(SUB_GHZ))
    root = study_of(tmp_path, recordings[session], COUNTING)
    assert_counts(root, recordings[session])
    statistics = table(root, "radio").set_index("node")
    for node, link in links[session].items():
        row = statistics.loc[node]
        assert (row["received"], row["lost_radio"], row["runs"]) == (
            link.received,
            link.inside,
            len(link.runs),
        )
        got = row[["mean_run_frames", "burst_ratio", "p", "r"]].astype(float).tolist()
        assert got == pytest.approx([link.mean_run, link.burst_ratio, link.p, link.r], rel=1e-12)


@needs_open_data
@pytest.mark.parametrize("session", SESSIONS)
def test_a_sub_ghz_link_has_features(tmp_path: Path, session: str) -> None:
    study_of(tmp_path, captures.sub_ghz(radio(SUB_GHZ))[0][session], TIMING)


# --- histories made by hand ----------------------------------------------------------------------

MADE_BY_HAND: dict[str, Callable[[bool], Recording]] = {
    "queue sent on return": lambda boot: cases.store_and_forward(False, boot),
    "queue between live frames": lambda boot: cases.store_and_forward(True, boot),
    "second copies behind a queue": cases.late_duplicates,
    "senders without a pace": cases.event_driven,
    "a frame a minute": cases.slow_nodes,
    "two devices with one address": cases.shared_address,
}


@pytest.mark.parametrize("boot", [True, False], ids=["boot", "no-boot"])
@pytest.mark.parametrize("name", MADE_BY_HAND)
def test_counts_of_a_history_made_by_hand(tmp_path: Path, name: str, boot: bool) -> None:
    recording = MADE_BY_HAND[name](boot)
    assert_counts(study_of(tmp_path, recording, COUNTING), recording)


@pytest.mark.parametrize("boot", [True, False], ids=["boot", "no-boot"])
@pytest.mark.parametrize("name", [name for name in MADE_BY_HAND if "address" not in name])
def test_times_of_a_history_made_by_hand(tmp_path: Path, name: str, boot: bool) -> None:
    recording = MADE_BY_HAND[name](boot)
    assert_times(study_of(tmp_path, recording, TIMING), recording)


@pytest.mark.parametrize("boot", [True, False], ids=["boot", "no-boot"])
@pytest.mark.parametrize("hub_off", [True, False], ids=["hub off", "hub on"])
@pytest.mark.parametrize(("every_s", "off_s"), [(10.0, 20.0), (12.0, 25.0), (15.0, 30.0)])
def test_the_hubs_own_stream_tells_whether_it_was_off(
    tmp_path: Path, every_s: float, off_s: float, hub_off: bool, boot: bool
) -> None:
    recording = cases.slow_stream_silence(hub_off, every_s, off_s, boot)
    root = study_of(tmp_path, recording, COUNTING)
    assert_counts(root, recording)
    (row,) = table(root, "radio").query("node == 'n16'").to_dict("records")
    lost = truth_of(recording.log)["n16"].lost
    hub_lost = recording.outage_lost["n16"]
    assert (row["lost_hub_outage"], row["lost_radio"]) == (hub_lost, lost - hub_lost)


@pytest.mark.parametrize("read", ["before", "after"])
@pytest.mark.parametrize("rounding", ["down", "up", "nearest"])
@pytest.mark.parametrize("unit_ns", [1_000_000, 1_000_000_000], ids=["ms", "s"])
def test_the_band_holds_however_a_host_writes_its_marks(
    tmp_path: Path, unit_ns: int, rounding: cases.Rounding, read: str
) -> None:
    recording = cases.rounded_marks(rounding, unit_ns, read)
    root = study_of(tmp_path, recording, TIMING)
    assert_counts(root, recording)
    assert_times(root, recording)
