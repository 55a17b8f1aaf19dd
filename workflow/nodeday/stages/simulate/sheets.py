"""Settings of a study made from recordings: the sheets, and layouts that fit the signals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from nodeday.config.study import HUB
from nodeday.stages.simulate.recording import RecordedSignal, RecordedSignals

STREAMS = {"mV": "ecg", "g": "acc", "degC": "temp"}
FRAME_S = {"mV": 0.08, "g": 0.2, "degC": 4.0}
MAX_PAYLOAD = 200
FIRST_ADDRESS = 16

Session = tuple[str, str, RecordedSignals]
"""Code, layout and recording of a session."""

FRAME: list[dict[str, Any]] = [
    {"name": "size", "role": "length", "bits": 8, "plus": 3},
    {"name": "address", "role": "node", "bits": 8},
    {"name": "kind", "role": "kind", "bits": 4},
    {"name": "boot", "role": "boot", "bits": 4},
    {"name": "counter", "role": "sequence", "bits": 8},
    {"name": "ticks", "role": "ticks", "bits": 24, "rate_hz": 32768},
    {"name": "payload", "role": "payload"},
    {"name": "battery", "role": "battery", "bits": 8, "scale": 0.01, "offset": 2.0},
    {
        "name": "sum",
        "role": "checksum",
        "bits": 16,
        "order": "big",
        "crc": "CRC-16/IBM-3740",
        "over": ["size", "battery"],
    },
    {"name": "hub", "role": "hub_time", "bits": 32, "unit_ns": 1_000_000},
    {"name": "rssi", "role": "rssi", "bits": 8, "signed": True, "scale": 0.5, "offset": -74},
    {"name": "lqi", "role": "lqi", "bits": 8},
]
MARK: dict[str, Any] = {
    "kind": 15,
    "stream": "mark",
    "every_s": 10,
    "fields": [{"name": "utc", "role": "utc", "bits": 64, "unit_ns": 1_000_000}],
}
FILL = {
    "ecg": {"method": "cubic", "max_ms": 20},
    "acc": {"method": "cubic", "max_ms": 100},
    "temp": {"method": "linear", "max_ms": 30_000},
}


def code(name: str) -> str:
    """``name`` as a session's code: a letter, then letters, digits or hyphens.

    >>> code("S06R02E0"), code("100"), code("day 2_a")
    ('S06R02E0', 'R100', 'day-2-a')
    """
    kept = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in name)
    kept = kept.strip("-") or "recording"
    return kept if kept[0].isalpha() else f"R{kept}"


def layout_for(recording: RecordedSignals) -> dict[str, Any]:
    """A layout (without its name) with a stream for each kind of signal in the recording."""
    kinds: list[dict[str, Any]] = []
    for signal in recording.signals.values():
        kind = _kind(signal, len(kinds) + 1)
        alike = next((k for k in kinds if _alike(k, kind)), None)
        if alike is None:
            taken = {each["stream"] for each in kinds}
            if kind["stream"] in taken:
                kind["stream"] += str(len(kinds) + 1)
            kinds.append(kind)
        else:  # one stream serves both nodes: the coarser step holds both ranges
            for mine, other in zip(alike["channels"], kind["channels"], strict=True):
                mine["scale"] = max(mine["scale"], other["scale"])
    return {
        "about": "made for recorded signals",
        "sync": "D3 91",
        "order": "little",
        "delay_ms": 3.0,
        "frame": FRAME,
        "kinds": [*kinds, MARK],
    }


def _alike(one: dict[str, Any], other: dict[str, Any]) -> bool:
    def shape(kind: dict[str, Any]) -> tuple[Any, ...]:
        return kind["rate_hz"], [(each["name"], each["unit"]) for each in kind["channels"]]

    return shape(one) == shape(other)


def _kind(signal: RecordedSignal, number: int) -> dict[str, Any]:
    """16-bit counts of the largest power of ten that keeps the whole signal off the rails."""
    width = len(signal.channels)
    most = max(float(np.abs(signal.values).max()), 1e-6)
    step = float(10.0 ** int(np.ceil(np.log10(most / 32_000))))
    samples = int(np.clip(round(signal.rate_hz * FRAME_S[signal.unit]), 1, MAX_PAYLOAD // (2 * width)))
    return {
        "kind": number,
        "stream": STREAMS[signal.unit],
        "rate_hz": signal.rate_hz,
        "samples": samples,
        "bits": 16,
        "signed": True,
        "stamp": "last",
        "channels": [
            {"name": name, "unit": signal.unit, "scale": step, "rails": [-32768, 32767]}
            for name in signal.channels
        ],
    }


def write_settings(
    root: Path, sessions: Sequence[Session], placements: Mapping[str, str], name: str, title: str
) -> None:
    """Write ``config/`` but for its layouts. A node's placement is its own name unless given."""
    config = root / "config"
    (config / "layouts").mkdir(parents=True)
    rates = [signal.rate_hz for _, _, each in sessions for signal in each.signals.values()]
    units = {signal.unit for _, _, each in sessions for signal in each.signals.values()}
    settings = {
        "study": name,
        "title": title,
        "zone": "UTC",
        "epochs": {"seconds": 30, "min_coverage": 0.8},
        "grid": {"rate_hz": float(min(max(rates), 2000))},
        "fill": {STREAMS[unit]: FILL[STREAMS[unit]] for unit in sorted(units)},
        "limits": {"min_hours": 0.02, "min_coverage": 0.8, "max_clock_uncertainty_ms": 20},
    }
    (config / "study.yaml").write_text(yaml.safe_dump(settings, sort_keys=False))
    people, rows, nodes = [], [], []
    for number, (session, label, each) in enumerate(sessions, start=1):
        people.append((f"R{number:02}", "", ""))
        rows.append((session, f"R{number:02}", f"captures/{session}.bin", label, "", "", ""))
        for address, node in [(0, HUB), *enumerate(each.signals, start=FIRST_ADDRESS)]:
            nodes.append((session, node, str(address), placements.get(node, node)))
    _sheet(config / "participants.tsv", ("participant", "age_years", "resting_bpm"), people)
    header = ("session", "participant", "captures", "layout", "zone", "start", "end")
    _sheet(config / "sessions.tsv", header, rows)
    _sheet(config / "nodes.tsv", ("session", "node", "address", "placement"), nodes)
    _sheet(config / "events.tsv", ("session", "phase", "start", "end"), [])


def _sheet(path: Path, header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    path.write_text("".join("\t".join(row) + "\n" for row in (header, *rows)))
