"""Nodes that keep the one time of their network: made captures with a truth, an open log, contradictions."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import made_captures as made
import numpy as np
import pandas as pd
import pytest
from captures import START, Logged, Recording, write_study
from open_captures import SLOT_S, Ticks, multihop

from nodeday.cli.main import main
from nodeday.config.study import Study
from nodeday.core import timeline
from nodeday.core.errors import CONTRACT, GOOD, SettingsError
from nodeday.layouts import load_layout
from nodeday.storage import tables

OPEN_DATA = os.environ.get("NODEDAY_OPEN_DATA")
SECONDS, SLOT_HZ, NETWORK_PPM = 5400.0, 1 / SLOT_S, 35.0
HOP_S = {16: 0.0, 17: 0.045, 18: 0.12, 19: 0.0}
"""How much longer the constant delay of each node is; node 19 joins late."""
START_NS = round(START.timestamp()) * 10**9


def sent(
    address: int, near_s: np.ndarray, rng: np.random.Generator, ppm: float = NETWORK_PPM
) -> list[Logged]:
    """Return frames made at whole slots near ``near_s``, later by hops, an exponential part and late ones."""
    hz = SLOT_HZ * (1 + 1e-6 * ppm)
    out = []
    for number, at in enumerate(near_s.tolist()):
        slot = round(at * hz)
        late_s = (
            made.DELAY_S + HOP_S[address] + rng.exponential(0.004) + (rng.random() < 0.05) * rng.uniform(0, 2)
        )
        made_s = slot / hz
        out.append(
            Logged(
                address, 0, 40_000 + number, 70_000 + slot, number, made.hub_clock(made_s + late_s), made_s
            )
        )
    return out


def network(own: dict[int, float] | None = None, tick_bytes: int = 4, few: int = 5) -> Recording:
    """Return 90 minutes of three nodes and a fourth that joins after 70 with ``few`` frames.

    ``own`` are nodes that run by crystals of their own, by their ppm.
    """
    rng = np.random.default_rng(11)
    log = []
    for address in HOP_S:
        near = made.periodic(SECONDS, 2.0, 0.3 * (address - 16))
        near = near[near > 4200][:few] if address == 19 else near[rng.random(len(near)) > 0.1]
        log.append(sent(address, near, rng, (own or {}).get(address, NETWORK_PPM)))
    wire = replace(made.wire(2.0, True, SLOT_HZ), tick_bytes=tick_bytes, time_source="network")
    return Recording(wire, made.in_order(*log), made.marks(SECONDS))


def fitted(root: Path, recording: Recording) -> tuple[Path, pd.DataFrame, pd.DataFrame]:
    """Return a study of the recording, and its tables ``clock`` and ``steps``."""
    write_study(root / "study", {"S1": recording})
    for stage in ("frames", "clock", "loss"):
        assert main(["stage", stage, "S1", "--study", str(root / "study")]) == GOOD
    results = Study(root / "study").results
    read = (tables.read(tables.path(results, name, "S1"), name) for name in ("clock", "steps"))
    return root / "study", *(each.astype({"node": str}) for each in read)


def errors_ms(
    root: Path, clock: pd.DataFrame, recording: Recording, address: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return errors and half widths of the band at the frames of a node, by their payloads' numbers."""
    true_s = {(one.address, one.count % 65_536): one.made_s for one in recording.log}
    results = Study(root).results
    rows = pd.read_parquet(results / "frames" / "session=S1" / f"n{address}.level.parquet")
    knots = clock[clock["node"] == f"n{address}"]
    at = rows["ticks"].to_numpy()
    utc_ns = timeline.ticks_to_utc(at, knots["ticks"].to_numpy(), knots["utc_ns"].to_numpy())
    made_s = np.array([true_s[address, number] for number in rows["seq_raw"]])
    band = np.interp(at, knots["ticks"], knots["uncertainty_ms"])
    return (utc_ns - START_NS) / 1e6 - made_s * 1e3, band


@pytest.mark.parametrize("tick_bytes", [2, 4])
def test_one_map_serves_all_nodes_of_a_network(tmp_path: Path, tick_bytes: int) -> None:
    """Ticks of two bytes wrap every 16 minutes, so that each node's count begins at another turn."""
    recording = network(tick_bytes=tick_bytes)
    root, clock, steps = fitted(tmp_path, recording)
    assert set(clock["time_source"]) == {"network"}
    assert set(clock["status"]) == {"fitted"}
    assert steps.empty
    held = []
    for address in HOP_S:
        error, band = errors_ms(root, clock, recording, address)
        print(address, len(error), error.std(), np.abs(error).max(), np.median(band))
        assert np.abs(error).max() < 1.0
        assert band.max() < 2.5
        held.append((np.abs(error) <= band).mean())
    assert np.mean(held) >= 0.93


def test_a_node_with_five_frames_is_a_guess_by_itself(tmp_path: Path) -> None:
    recording = network()
    alone = replace(recording, wire=replace(recording.wire, time_source="node"))
    _, clock, _ = fitted(tmp_path, alone)
    assert set(clock["time_source"]) == {"node"}
    late = clock[clock["node"] == "n19"]
    assert set(late["status"]) == {"nominal_rate"}
    assert late["uncertainty_ms"].min() > 20


def stepped(recording: Recording, addresses: set[int], at_s: float, step_ms: float) -> Recording:
    """Return a recording in which frames of some nodes come later by ``step_ms`` from ``at_s`` on."""
    log = [
        replace(one, hub_s=one.hub_s + step_ms / 1e3)
        if one.address in addresses and one.made_s > at_s
        else one
        for one in recording.log
    ]
    return replace(recording, log=made.in_order(log))


def test_a_single_node_cannot_step(tmp_path: Path) -> None:
    """A longer way from minute 45 on is a delay, and moves no clock."""
    recording = stepped(network(), {17}, 2700, 60.0)
    alone = replace(recording, wire=replace(recording.wire, time_source="node"))
    _, _, steps = fitted(tmp_path / "alone", alone)
    assert steps["kind"].astype(str).tolist() == ["node_step"]
    root, clock, steps = fitted(tmp_path / "network", recording)
    assert steps.empty
    for address in HOP_S:
        error, band = errors_ms(root, clock, recording, address)
        assert (np.abs(error) <= band).mean() >= 0.93


def test_the_networks_time_steps_for_all_nodes(tmp_path: Path) -> None:
    """The host's marks bear the hub out, so the network's time fell back."""
    _, clock, steps = fitted(tmp_path, stepped(network(), set(HOP_S), 2700, 300.0))
    assert list(zip(steps["node"], steps["kind"].astype(str), strict=True)) == [("*", "network_step")]
    assert steps["size_ms"].iloc[0] == pytest.approx(-300, abs=5)
    assert set(clock["time_source"]) == {"network"}


@pytest.mark.parametrize("ppm", [-10.0, 42.0])
def test_a_node_that_runs_by_its_own_crystal_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], ppm: float
) -> None:
    recording = network({17: ppm})
    root, clock, _ = fitted(tmp_path, recording)
    source = clock.groupby("node")["time_source"].first().astype(str)
    assert source.to_dict() == {"n16": "network", "n17": "node", "n18": "network", "n19": "network"}
    for address in HOP_S:
        error, band = errors_ms(root, clock, recording, address)
        late_ms = 1e3 * HOP_S[address] if address == 17 else 0.0  # its own delay cannot be seen one way
        assert (np.abs(error - late_ms) <= band).mean() >= 0.93
    capsys.readouterr()
    assert main(["audit", "S1", "--study", str(root)]) == CONTRACT
    out = capsys.readouterr().out
    assert "Nodes that do not keep the declared time of their network:\n  n17: the layout declares" in out
    assert f"({ppm - NETWORK_PPM:+.1f} ppm)" in out


def test_an_audit_names_no_node_that_keeps_the_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root, _, _ = fitted(tmp_path, network())
    assert main(["audit", "S1", "--study", str(root)]) == GOOD
    assert "declared time of their network" not in capsys.readouterr().out


def test_a_node_whose_ticks_begin_elsewhere_is_named(tmp_path: Path) -> None:
    recording = network()
    log = [replace(one, ticks=one.ticks + 50_000) if one.address == 18 else one for one in recording.log]
    _, clock, _ = fitted(tmp_path, replace(recording, log=log))
    assert clock.groupby("node")["time_source"].first().astype(str)["n18"] == "node"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            lambda text: text.replace("role: sequence,", "role: sequence, time_source: network,"),
            "only a ticks",
        ),
        (lambda text: text.replace("time_source: network", "time_source: hub"), "time_source"),
    ],
)
def test_a_wrong_declaration_is_refused(tmp_path: Path, change: Callable[[str], str], message: str) -> None:
    path = tmp_path / "net.yaml"
    path.write_text(change(network().wire.layout("net")))
    with pytest.raises(SettingsError, match=message):
        load_layout(path)


def test_layouts_of_one_network_count_alike(tmp_path: Path) -> None:
    root = write_study(tmp_path / "study", {"S1": network(), "S2": network(tick_bytes=2)})
    text = (root / "config" / "sessions.tsv").read_text().replace("S1.bin\tS1", "S1.bin\tS1;S2")
    (root / "config" / "sessions.tsv").write_text(text)
    with pytest.raises(SettingsError) as error:
        Study(root).layouts_of("S1")
    assert str(error.value) == (
        "session S1: layouts S1, S2 differ in the bits or rate_hz of their network's ticks; expected one "
        "network, and so one of both."
    )


@pytest.mark.skipif(not OPEN_DATA, reason="NODEDAY_OPEN_DATA is not set")
def test_an_open_multi_hop_log_has_one_time(tmp_path: Path) -> None:
    """Ticks of making and of the last hop are both the network's: two sets of stamps, one map.

    Delays of the former are up to minutes, of the latter some slots; the constant parts differ.
    """
    path = Path(OPEN_DATA or "") / "radio" / "multihop-154e-45min.log.gz"
    maps = {}
    ticks: Ticks
    for ticks in ("made", "last_hop"):
        recording = multihop(path, ticks)
        recording = replace(recording, wire=replace(recording.wire, time_source="network"))
        _, clock, steps = fitted(tmp_path / ticks, recording)
        assert set(clock["time_source"]) == {"network"}
        assert set(steps["kind"].astype(str)) == {"node_restart"}
        maps[ticks] = [each for _, each in clock.groupby(["node", "boot"])]
    at = np.arange(105_000, 260_000, 1000)
    offsets = []
    for own in maps.values():
        knots = [(each["ticks"].to_numpy(), each["utc_ns"].to_numpy()) for each in own]
        lines = [
            np.where((at >= x[0]) & (at <= x[-1]), timeline.ticks_to_utc(at, x, y) - at * 15_000_000, np.nan)
            / 1e6
            for x, y in knots
        ]
        covered = np.isfinite(lines).any(axis=0)
        spread = np.nanmax(np.array(lines)[:, covered], axis=0) - np.nanmin(
            np.array(lines)[:, covered], axis=0
        )
        assert spread.max() < 0.01  # all nodes have one time
        offsets.append(np.where(covered, np.nan_to_num(lines, nan=-np.inf).max(axis=0), np.nan))
    apart = offsets[0] - offsets[1]
    apart = apart[np.isfinite(apart)]
    assert len(apart) > 80
    print("apart", apart.min(), np.median(apart), apart.max())
    assert np.abs(apart - np.median(apart)).max() < 20
