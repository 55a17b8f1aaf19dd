"""nodeday against captures whose truth it did not make: open radio captures, and histories made by hand."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import made_captures as made
import numpy as np
import open_captures
import pandas as pd
import pytest
from captures import START, Logged, NodeTruth, Recording, truth_of, write_study
from conftest import samples_in

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core.errors import GOOD
from nodeday.storage import frames, tables

OPEN_DATA = os.environ.get("NODEDAY_OPEN_DATA")
needs_open_data = pytest.mark.skipif(not OPEN_DATA, reason="NODEDAY_OPEN_DATA is not set")
SECOND_COPIES = ("duplicate", "conflict")
COUNTING = ("frames", "clock", "loss")
TIMING = (*COUNTING, "repair", "features")


def table(root: Path, name: str, session: str = "S1") -> pd.DataFrame:
    results = Study(root).results
    if name == "frames":
        return frames.table(results, session)
    return tables.read(tables.path(results, name, session), name)


def study_of(root: Path, recording: Recording, stages: tuple[str, ...]) -> Path:
    """A study of one session, its stages run."""
    write_study(root / "study", {"S1": recording})
    for stage in stages:
        assert main(["stage", stage, "S1", "--study", str(root / "study")]) == GOOD, f"stage {stage}"
    return root / "study"


def reported(root: Path, session: str = "S1") -> dict[str, NodeTruth]:
    """Counts of nodeday's tables, in the form of the truth."""
    received, gaps = table(root, "frames", session), table(root, "gaps", session)
    out = {}
    for node, rows in received[received["stream"] != "mark"].groupby("node", observed=True):
        copies = int(rows["status"].isin(SECOND_COPIES).sum())
        lost = gaps.loc[(gaps["node"] == node) & (gaps["extent"] == "known"), "frames"].sum()
        late = int((rows["status"] == "late").sum())
        out[str(node)] = NodeTruth(len(rows) - copies, copies, int(lost), late, rows["boot"].nunique())
    return out


def assert_counts(root: Path, recording: Recording) -> None:
    """Assert that the counts of each node equal the truth, and that no frame was rejected."""
    assert reported(root) == truth_of(recording.log)
    assert table(root, "rejects").empty


def errors_s(root: Path, recording: Recording) -> pd.DataFrame:
    """Return errors of the times of received samples, and the clock's band there, in s, by node."""
    start_s, clock, parts = START.timestamp(), table(root, "clock"), []
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
    """Assert that no sample is off its true time by twice the 95 % band that the clock states."""
    errors = errors_s(root, recording)
    assert errors["error"].notna().all()
    assert len(errors) == sum(counts.received for counts in truth_of(recording.log).values())
    worst = (errors["error"].abs() / errors["band"]).groupby(errors["node"]).max()
    assert (worst < 2).all(), worst.to_dict()


def test_the_truth_of_a_short_log() -> None:
    """The counter 8 comes twice, 7 comes late, 1 and 2 are lost::

    arrives   5 6 8 7 8 | 0 3
    """
    numbers = [(0, 5), (0, 6), (0, 8), (0, 7), (0, 8), (1, 0), (1, 3)]
    log = [Logged(9, boot, count, 0, 0, float(at)) for at, (boot, count) in enumerate(numbers)]
    assert truth_of(log) == {"n9": NodeTruth(received=6, duplicates=1, lost=2, late=1, boots=2)}


# --- open captures -------------------------------------------------------------------------------


def radio(name: str) -> Path:
    return Path(OPEN_DATA or "") / "radio" / name


MULTIHOP, SUB_GHZ = "multihop-154e-45min.log.gz", "subghz-tx-rx-4-sites.json.gz"


TICKS = ("made", "last_hop", "none")
SESSIONS = ("site1", "site2", "site3", "site4", "all-sites", "together")


@needs_open_data
@pytest.mark.parametrize("ticks", TICKS)
def test_a_multi_hop_network(tmp_path: Path, ticks: open_captures.Ticks) -> None:
    """Packets up to two minutes late, second copies, and restarts across which the network's time goes on.

    Without the time of making, n2 and n7 are the hard ones: no number comes back after their restarts. n2
    counts from 1 after it began at 162; n7 sends a last frame 3 after it began at 7.
    """
    recording = open_captures.multihop(radio(MULTIHOP), ticks)
    truth = truth_of(recording.log).values()
    assert (sum(one.received for one in truth), sum(one.duplicates for one in truth)) == (5392, 1089)
    assert_counts(study_of(tmp_path, recording, COUNTING), recording)


@needs_open_data
@pytest.mark.parametrize("ticks", TICKS)
def test_a_multi_hop_network_has_features(tmp_path: Path, ticks: open_captures.Ticks) -> None:
    study_of(tmp_path, open_captures.multihop(radio(MULTIHOP), ticks), TIMING)


@needs_open_data
@pytest.mark.parametrize("session", SESSIONS)
def test_a_sub_ghz_link(tmp_path: Path, session: str) -> None:
    """The list of transmissions tells exactly what was lost; the log has whole seconds."""
    recordings, links = open_captures.sub_ghz(radio(SUB_GHZ))
    root = study_of(tmp_path, recordings[session], COUNTING)
    assert_counts(root, recordings[session])
    statistics = table(root, "radio").set_index("node")
    for node, link in links[session].items():
        row = statistics.loc[node]
        counted = row["received"], row["lost_radio"], row["runs"]
        assert counted == (link.received, sum(link.runs), len(link.runs))
        figures = row[["mean_run_frames", "burst_ratio", "p", "r"]].astype(float)
        assert tuple(figures) == pytest.approx(link.statistics, rel=1e-12)


@needs_open_data
@pytest.mark.parametrize("session", SESSIONS)
def test_a_sub_ghz_link_has_features(tmp_path: Path, session: str) -> None:
    study_of(tmp_path, open_captures.sub_ghz(radio(SUB_GHZ))[0][session], TIMING)


# --- histories made by hand ----------------------------------------------------------------------

MADE_BY_HAND: dict[str, Callable[[bool], Recording]] = {
    "queue sent on return": lambda boot: made.store_and_forward(False, boot),
    "queue between live frames": lambda boot: made.store_and_forward(True, boot),
    "second copies behind a queue": made.late_duplicates,
    "senders without a pace": made.event_driven,
    "a frame a minute": made.slow_nodes,
    "two devices with one address": made.shared_address,
}


@pytest.mark.parametrize("boot", [True, False], ids=["boot", "no-boot"])
@pytest.mark.parametrize("name", MADE_BY_HAND)
def test_counts_of_a_history_made_by_hand(tmp_path: Path, name: str, boot: bool) -> None:
    recording = MADE_BY_HAND[name](boot)
    assert_counts(study_of(tmp_path, recording, COUNTING), recording)


@pytest.mark.parametrize(
    "lost", [(), (0, 1, 2, 3), (7, 8, 9)], ids=["none-lost", "begin-lost", "lost-behind"]
)
@pytest.mark.parametrize(
    ("late", "by_s"), [((0,), 25.0), ((4, 5, 6), 4.0), (range(1, 8), 8.0), (range(4, 12), 25.0)]
)
@pytest.mark.parametrize("boot", [True, False], ids=["boot", "no-boot"])
def test_the_first_frames_of_a_boot_may_be_late(
    tmp_path: Path, boot: bool, late: Sequence[int], by_s: float, lost: Sequence[int]
) -> None:
    """Live frames soon go on from before them, and none from them: that tells them from a restart."""
    recording = made.late_first_frames(boot, late, by_s, lost)
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
    recording = made.slow_stream_silence(hub_off, every_s, off_s, boot)
    root = study_of(tmp_path, recording, COUNTING)
    assert_counts(root, recording)
    (row,) = table(root, "radio").query("node == 'n16'").to_dict("records")
    lost = truth_of(recording.log)["n16"].lost
    hub_lost = recording.outage_lost["n16"]
    assert (row["lost_hub_outage"], row["lost_radio"]) == (hub_lost, lost - hub_lost)


@pytest.mark.parametrize("declared", [False, True], ids=["undeclared", "declared"])
@pytest.mark.parametrize("read", ["before", "after"])
@pytest.mark.parametrize("rounding", ["down", "up", "nearest"])
@pytest.mark.parametrize("unit_ns", [1_000_000, 1_000_000_000], ids=["ms", "s"])
def test_the_band_holds_however_a_host_writes_its_marks(
    tmp_path: Path, unit_ns: int, rounding: made.Rounding, read: str, declared: bool
) -> None:
    recording = made.rounded_marks(rounding, unit_ns, read)
    if declared:
        written = f"rounding: {rounding}, read: {read}"
        recording = replace(recording, wire=replace(recording.wire, mark_written=written))
    root = study_of(tmp_path, recording, TIMING)
    assert_counts(root, recording)
    assert_times(root, recording)
