"""Methods of a study: a file for machines, and a paragraph for the methods section of a paper."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import pandas as pd

from nodeday import __version__
from nodeday.config.models import Fill, Rule
from nodeday.config.study import Study
from nodeday.core import atomic
from nodeday.core.percent import percent
from nodeday.layouts.recording import RecordedLayout
from nodeday.products.export.manifest import libraries
from nodeday.products.export.package import as_json
from nodeday.schemas import FEATURE
from nodeday.schemas.compile import VERSION
from nodeday.schemas.methods import METHODS
from nodeday.storage import tables
from nodeday.storage.shares import frame_loss

RULES = {
    "min_hours": "sessions shorter than {0:g} h",
    "min_coverage": "{1} with less than {2:.3g} % of their samples received",
    "min_valid_epochs": "{3} with a value in fewer than {2:.3g} % of epochs",
    "max_clock_uncertainty": "{1} whose time is less certain than ±{0:g} ms (95 %)",
    "calibrated": "{1} without calibration coefficients",
    "bench_passed": "{1} without a passed bench test",
}


def write(study: Study, sessions: list[str]) -> None:
    """Write ``methods.json`` and ``methods.md`` into the results."""
    methods = gather(study, sessions)
    atomic.write_text(study.results / "methods.json", as_json(methods))
    atomic.write_text(study.results / "methods.md", paragraph(study, methods) + "\n")


def gather(study: Study, sessions: list[str]) -> dict[str, Any]:
    """Return the settings, steps, formulas, sources, versions and counts that a methods section states."""
    used = {
        str(name)
        for session in sessions
        for name in _read(study, "epochs", session, ["feature"])["feature"].unique()
    }
    received = {
        (session, str(stream))
        for session in sessions
        for stream in _read(study, "radio", session, ["stream"])["stream"].unique()
    }
    streams = {
        (
            kind.stream,
            kind.rate_hz,
            0 if isinstance(layout, RecordedLayout) else kind.bits,
            tuple((channel.name, channel.unit) for channel in kind.channels),
        )
        for session in sessions
        for layout in study.layouts_of(session).values()
        for kind in layout.kinds
        if kind.channels and (session, kind.stream) in received
    }
    return {
        "study": study.file.study,
        "title": study.file.title,
        "nodeday": __version__,
        "data_model": VERSION,
        "libraries": libraries(study, sessions),
        "settings": study.file.model_dump(mode="json"),
        "streams": [
            {
                "stream": stream,
                "rate_hz": rate,
                **({"bits": bits} if bits else {}),
                "channels": dict(channels),
            }
            for stream, rate, bits, channels in sorted(streams)
        ],
        "steps": [asdict(method) for method in METHODS],
        "features": [asdict(feature) for name, feature in FEATURE.items() if name in used],
        "rules": [rule.model_dump(exclude_none=True) for rule in study.file.inclusion],
        "counts": _counts(study, sessions),
    }


def _read(
    study: Study, name: str, session: str | None = None, columns: list[str] | None = None
) -> pd.DataFrame:
    return tables.read(tables.path(study.results, name, session), name, columns)


def _counts(study: Study, sessions: list[str]) -> dict[str, int | float]:
    nodes, flow, people = (_read(study, name) for name in ("sessions", "flow", "participants"))
    received, lost = (int(nodes[f"frames_{what}"].sum()) for what in ("received", "lost"))
    epochs = sum(_read(study, "epochs", name, ["epoch"])["epoch"].nunique() for name in sessions)
    return {
        "participants": len(people),
        "participants_included": int((people["status"] == "included").sum()),
        "sessions": len(study.sessions),
        "sessions_finished": len(sessions),
        "sessions_included": int(flow["sessions_left"].iloc[-1]),
        "sessions_without_time": nodes.loc[nodes["start_ns"].isna(), "session"].nunique(),
        "hours": round(float(people["hours"].sum()), 3),
        "epochs": int(epochs),
        "frames_received": received,
        "frames_lost": lost,
        "unknown_gaps": int(nodes["unknown_gaps"].sum()),
    }


def paragraph(study: Study, methods: dict[str, Any]) -> str:
    """Return the methods as one plain paragraph; every number in it comes from the tables."""
    count = methods["counts"]
    untimed = count["sessions_without_time"]
    expected = count["frames_received"] + count["frames_lost"]
    loss = frame_loss(count["frames_lost"], count["frames_received"])
    placements = sorted(_read(study, "sessions")["placement"].astype(str).unique())
    streams = "; ".join(map(_stream, methods["streams"])) or "frames of counters, without samples"
    return " ".join(
        [
            f"Body-worn nodes ({', '.join(placements)}) sent frames over a radio link to a hub that stamped "
            f"them ({streams}).",
            f"Frames were decoded and placed in time with nodeday {methods['nodeday']} (data model "
            f"{methods['data_model']}).",
            f"In {count['sessions_finished']} of {count['sessions']} sessions ({count['hours']:.1f} h) "
            f"{count['frames_received']} of {expected} frames that the counters tell of were "
            f"received (frame loss {percent(loss)}); {count['unknown_gaps']} further gaps are of unknown "
            "length.",
            "All nodes were placed on one time axis along the lower edge of the delays of their frames "
            "(Moon, Skelly and Towsley 1999)."
            + (f" In {untimed} sessions no clock led to UTC." if untimed else ""),
            *([_fills(study), _features(study, methods)] if methods["streams"] else []),
            _rules(study.file.inclusion),
            f"Of {count['participants']} participants {count['participants_included']} were included, with "
            f"{count['sessions_included']} sessions. Formulas and sources are listed in methods.json.",
        ]
    )


def _features(study: Study, methods: dict[str, Any]) -> str:
    features, epochs = ", ".join(feature["name"] for feature in methods["features"]), study.file.epochs
    return (
        f"Features ({features}) were computed in epochs of {epochs.seconds} s where at least "
        f"{100 * epochs.min_coverage:.3g} % of the samples were received; other epochs have no value."
    )


def _stream(stream: dict[str, Any]) -> str:
    units = " and ".join(sorted(set(stream["channels"].values())))
    return f"{stream['stream']}: {', '.join(stream['channels'])} in {units} at {stream['rate_hz']:g} Hz"


def _fills(study: Study) -> str:
    filled = [
        f"{stream} up to {fill.max_ms:g} ms, {fill.method}{_least(fill)}"
        for stream, fill in sorted(study.file.fill.items())
        if fill.method != "none"
    ]
    if not filled:
        return "Lost samples were not filled."
    return f"Short gaps were filled and flagged ({'; '.join(filled)}); all others stayed missing."


def _least(fill: Fill) -> str:
    return f" that is right with {fill.min_probability:g} or more" if fill.min_probability else ""


def _rules(rules: tuple[Rule, ...]) -> str:
    excluded = [
        RULES[rule.rule].format(
            rule.threshold,
            rule.node or "nodes",
            100 * rule.threshold,
            " ".join(filter(None, [rule.node, rule.feature or "features"])),
        )
        for rule in rules
    ]
    return f"The following were excluded, in this order: {'; '.join(excluded)}."
