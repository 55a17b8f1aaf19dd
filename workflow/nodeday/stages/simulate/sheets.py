"""Settings of a study made from recordings: the sheets, and layouts that fit the signals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from nodeday.config.study import HUB
from nodeday.config.writer import sheet
from nodeday.core import yaml_io
from nodeday.stages.simulate.recording import RecordedSignal, RecordedSignals

STREAMS = {"mV": "ecg", "g": "acc", "degC": "temp"}
FRAME_S = {"mV": 0.08, "g": 0.2, "degC": 4.0}
MAX_PAYLOAD = 200
FIRST_ADDRESS = 16

PlannedReplay = tuple[str, str, RecordedSignals]
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
    """Return ``name`` as a session's code: a letter, then letters, digits or hyphens.

    >>> code("S06R02E0"), code("100"), code("day 2_a")
    ('S06R02E0', 'R100', 'day-2-a')
    """
    kept = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in name)
    kept = kept.strip("-") or "recording"
    return kept if kept[0].isalpha() else f"R{kept}"


def layout_for(recording: RecordedSignals) -> dict[str, Any]:
    """Return a layout, without its name, with a stream for each kind of signal in the recording."""
    kinds: list[dict[str, Any]] = []
    for signal in recording.signals.values():
        kind = _kind(signal, len(kinds) + 1)
        alike = next((known for known in kinds if _alike(known, kind)), None)
        if alike is None:
            if kind["stream"] in {known["stream"] for known in kinds}:
                kind["stream"] += str(len(kinds) + 1)
            kinds.append(kind)
        else:  # one stream serves both nodes: the coarser step holds both ranges
            for channel, other in zip(alike["channels"], kind["channels"], strict=True):
                channel["scale"] = max(channel["scale"], other["scale"])
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
        return kind["rate_hz"], [(channel["name"], channel["unit"]) for channel in kind["channels"]]

    return shape(one) == shape(other)


def _kind(signal: RecordedSignal, number: int) -> dict[str, Any]:
    """Return a kind of frame for ``signal``.

    Counts of 16 bits are in steps of the least power of ten that keeps the signal off the rails.
    """
    width = len(signal.channels)
    largest = max(float(np.abs(signal.values).max()), 1e-6)
    step = float(10.0 ** int(np.ceil(np.log10(largest / 32_000))))
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


def settings_of(
    sessions: Sequence[PlannedReplay], placements: Mapping[str, str], name: str, title: str
) -> dict[str, str]:
    """Return the files of ``config/`` but for its layouts, as texts by their names.

    A node's placement is its own name unless given.
    """
    rates = [signal.rate_hz for _, _, recording in sessions for signal in recording.signals.values()]
    units = {signal.unit for _, _, recording in sessions for signal in recording.signals.values()}
    study = {
        "study": name,
        "title": title,
        "zone": "UTC",
        "epochs": {"seconds": 30, "min_coverage": 0.8},
        "grid": {"rate_hz": float(min(max(rates), 2000))},
        "fill": {STREAMS[unit]: FILL[STREAMS[unit]] for unit in sorted(units)},
        "limits": {"min_hours": 0.02, "min_coverage": 0.8, "max_clock_uncertainty_ms": 20},
    }
    codes = [f"R{number:02}" for number in range(1, len(sessions) + 1)]
    return {
        "study.yaml": yaml_io.dump(study),
        "participants.tsv": sheet("participants", [{"participant": person} for person in codes]),
        "sessions.tsv": sheet(
            "sessions",
            [
                {
                    "session": session,
                    "participant": person,
                    "captures": f"captures/{session}.bin",
                    "layout": layout,
                }
                for person, (session, layout, _) in zip(codes, sessions, strict=True)
            ],
        ),
        "nodes.tsv": sheet(
            "nodes",
            [
                {
                    "session": session,
                    "node": node,
                    "address": address,
                    "placement": placements.get(node, node),
                }
                for session, _, recording in sessions
                for address, node in [(0, HUB), *enumerate(recording.signals, start=FIRST_ADDRESS)]
            ],
        ),
        "events.tsv": sheet("events", []),
    }
