"""Recorded signals through the same encoder, channel and hub as simulated ones.

Sample k of a recording is sample k of the node's clock, so that values are sent as recorded; they
are resampled only where the stream has another rate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from scipy.signal import resample_poly

from nodeday.config import writer
from nodeday.config.models import Node
from nodeday.config.study import HUB, LAYOUTS, Study
from nodeday.core import yaml_io
from nodeday.core.arrays import Floats, Ints
from nodeday.core.errors import SettingsError
from nodeday.layouts import Kind, Layout
from nodeday.stages.simulate import recording, sheets, stage
from nodeday.stages.simulate.nodes import Source
from nodeday.stages.simulate.recording import RecordedSignal, RecordedSignals
from nodeday.stages.simulate.scenario import Crystal, NodePlan, PlannedPhase, RadioChannel, SessionPlan
from nodeday.stages.simulate.transmit import transmit
from nodeday.stages.simulate.truth import Truth

START = datetime(2026, 7, 20, 6, tzinfo=UTC)
MAX_PPM = 40.0
SPARE = 1e-4
"""Share of a recording left unsent, so that a fast crystal never asks for more than there is."""


def replay(
    signals: Mapping[str, RecordedSignal],
    layout: Layout,
    nodes: dict[int, Node],
    channel: RadioChannel,
    seed: int = 0,
    start: datetime = START,
    where: str = "recording",
) -> tuple[bytes, Truth]:
    """Return capture and truth of recorded ``signals`` by node.

    Each signal is sent as the layout's stream with its unit and number of channels. All nodes are
    switched on together, so that what was recorded together stays together. Raises SettingsError
    where a node has no signal or no stream fits it.
    """
    rng = np.random.default_rng([seed, len(nodes)])
    sources: dict[tuple[str, str], Source] = {}
    plans, lengths = {HUB: NodePlan(crystal=Crystal(ppm=float(rng.uniform(-10, 10))))}, []
    for _, node in sorted(nodes.items()):
        if node.node == HUB:
            continue
        if node.node not in signals:
            raise SettingsError(f"nothing was recorded for node {node.node}", where)
        kind = stream_for(signals[node.node], layout, node.node, where)
        values = resampled(signals[node.node], kind.rate_hz or 1.0)
        sources[node.node, kind.stream] = source_of(values)
        lengths.append(len(values) / (kind.rate_hz or 1.0))
        crystal = Crystal(ppm=float(rng.uniform(-MAX_PPM, MAX_PPM)))
        plans[node.node] = NodePlan(streams=(kind.stream,), crystal=crystal)
    minutes = min(lengths) * (1 - SPARE) / 60
    plan = SessionPlan(
        name=where,
        seed=seed,
        start=start,
        phases=(PlannedPhase(phase="recording", minutes=minutes),),
        nodes=plans,
        channel=channel,
        stagger_s=0,
    )
    return transmit(plan, layout, nodes, sources)


def stream_for(signal: RecordedSignal, layout: Layout, node: str, where: str) -> Kind:
    """Return the layout's stream with the signal's unit and number of channels, of the nearest rate."""
    fit = [
        kind
        for kind in layout.kinds
        if len(kind.channels) == len(signal.channels) and {c.unit for c in kind.channels} == {signal.unit}
    ]
    if not fit:
        raise SettingsError(
            f"node {node} recorded {len(signal.channels)} channels in {signal.unit}, and no stream fits",
            where,
            f"a stream like it in layout {layout.layout}",
        )
    return min(fit, key=lambda kind: abs((kind.rate_hz or 0) - signal.rate_hz))


def resampled(signal: RecordedSignal, rate_hz: float) -> Floats:
    """Return the signal's values (m, channels) at ``rate_hz``, by polyphase filtering where it differs."""
    if rate_hz == signal.rate_hz:
        return signal.values
    ratio = Fraction(rate_hz / signal.rate_hz).limit_denominator(1000)
    # Lines through the ends keep the filter from ringing against a jump to zero.
    return np.asarray(
        resample_poly(signal.values, ratio.numerator, ratio.denominator, axis=0, padtype="line"), np.float64
    )


def source_of(values: Floats) -> Source:
    """Return a source that gives ``values`` (n, channels) by running number."""

    def source(index: Ints, _: Floats) -> Floats:
        if len(index) and int(index.max()) >= len(values):
            raise ValueError(f"sample {index.max()} of a recording of {len(values)}")
        return values[index]

    return source


def into_study(
    root: Path,
    recordings: Sequence[RecordedSignals],
    channel: RadioChannel,
    seed: int = 0,
    placements: Mapping[str, str] | None = None,
    name: str = "replay",
    title: str = "Recorded signals",
) -> None:
    """Write a study of recordings: settings, layouts that fit them, a capture for each.

    Raises SettingsError where ``root`` holds a study already, or two recordings have one name.
    """
    if (root / "config").exists():
        raise SettingsError("holds a study already", str(root), remedy="Choose another folder.")
    codes = [sheets.code(signals.name) for signals in recordings]
    twins = sorted({code for code in codes if codes.count(code) > 1})
    if twins or not recordings:
        found = f"two recordings are named {', '.join(twins)}" if twins else "no recordings are given"
        raise SettingsError(found, str(root), "recordings with a name each")
    layouts: dict[str, dict[str, Any]] = {}
    sessions = []
    for code, signals in zip(codes, recordings, strict=True):
        layout = sheets.layout_for(signals)
        label = next((key for key, value in layouts.items() if value == layout), f"replay{len(layouts) + 1}")
        layouts[label] = layout
        sessions.append((code, label, signals))
    files = sheets.settings_of(sessions, placements or {}, name, title)
    for label, layout in layouts.items():
        files[f"{LAYOUTS}/{label}.yaml"] = yaml_io.dump({"layout": label, **layout})
    writer.write_settings(root / "config", files)
    study = Study(root)
    for number, (code, _, signals) in enumerate(sessions):
        data, truth = replay(
            signals.signals,
            study.layout_of(code),
            study.nodes_of(code),
            channel,
            seed + number,
            START,
            signals.where,
        )
        stage.write(root, code, data, truth)


def replay_files(paths: list[Path], root: Path, loss: float, burst: float, seed: int) -> None:
    """Make a study at ``root`` of recorded files, sent through a lossy channel.

    A share ``loss`` of frames is lost, in bursts of ``burst`` frames on average. Raises SettingsError
    for files or settings that cannot be used.
    """
    least = loss / (1 - loss) if loss < 1 else float("inf")
    if not (0 <= loss < 1 and burst >= max(1.0, least)):
        raise SettingsError(
            f"a loss of {loss:g} in bursts of {burst:g}",
            expected=(f"a loss from 0 to below 1, in bursts of {max(1.0, least):.3g} frames or more"),
        )
    into_study(root, [recording.read(path) for path in paths], RadioChannel(loss=loss, burst=burst), seed)
