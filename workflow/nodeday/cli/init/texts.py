"""The files of a new study, from its answers."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from nodeday.cli.init.answers import SKELETON, Answers
from nodeday.config.writer import sheet
from nodeday.layouts import Layout

STUDY = """# Every setting that is not here has a default.
study: {study}
title: {title}
zone: {zone}  # of the notes in events.tsv

epochs:
  seconds: 30
  min_coverage: 0.8      # share of received samples below which an epoch has no value

grid:
  rate_hz: {rate:g}           # common grid of the table `aligned`
{fill}
limits:                  # what falls short is listed in `exclusions`; nothing is deleted
  min_hours: 0.5
  min_coverage: 0.8
  max_clock_uncertainty_ms: 20
"""
FILL = """
fill:                    # per stream: gaps no longer than max_ms are filled, longer ones stay missing
"""
POLICY = {
    "mV": "{method: pattern, max_ms: 250, context_ms: 200}",
    "g": "{method: cubic, max_ms: 100}",
    "degC": "{method: linear, max_ms: 30000}",
}
"""By the unit of a stream's channels, as in the demo; other streams are left with their gaps."""
SCENARIO = """# Simulated captures, to try the study before there are recorded ones; `nodeday run` makes them.
# Once you have your own: delete this file, captures/*.truth.npz and what was simulated.
seed: 1

nodes:
{nodes}
sessions:
"""
PLANNED = """  {session}:
    start: {start}
    phases:
      - {{phase: rest, minutes: {rest}, bpm: 64}}
      - {{phase: walk, minutes: {walk}, bpm: 104, gait: 0.6}}
    channel: {{loss: 0.03, burst: 4}}
"""
START, REST, WALK = datetime(2026, 7, 1, 6, tzinfo=UTC), 15, 20
"""Of the first simulated session; a day later each next one."""


def settings_files(answers: Answers) -> dict[str, str]:
    """Return the text of each file by its path in ``config/``."""
    assert answers.layout is not None
    layout = answers.layout.read_text(encoding="utf-8")
    if answers.layout == SKELETON:
        layout = layout.replace("SKELETON", answers.layout_name)
    texts = {
        "study.yaml": study_text(answers.study, answers.title, answers.zone, [answers.parsed_layout]),
        f"layouts/{answers.layout_name}.yaml": layout,
        **_sheets(answers),
    }
    if answers.streams:
        texts["scenario.yaml"] = _scenario(answers)
    return texts


def _sheets(answers: Answers) -> dict[str, str]:
    people = dict.fromkeys(row.participant for row in answers.sessions)
    return {
        "participants.tsv": sheet("participants", ({"participant": code} for code in people)),
        "sessions.tsv": sheet(
            "sessions", (row.model_dump() | {"layout": answers.layout_name} for row in answers.sessions)
        ),
        "nodes.tsv": sheet("nodes", (row.model_dump() for row in answers.nodes)),
        "events.tsv": sheet("events", _events(answers)),
    }


def study_text(study: str, title: str, zone: str, layouts: Iterable[Layout]) -> str:
    """Return ``study.yaml`` with a common grid and fills that fit the streams of ``layouts``."""
    kinds = {kind.stream: kind for layout in layouts for kind in layout.kinds if kind.channels}
    rates = [kind.rate_hz for kind in kinds.values() if kind.rate_hz]
    policies = []
    for kind in kinds.values():
        units = [channel.unit for channel in kind.channels]
        if len(set(units)) == 1 and units[0] in POLICY and (units[0] != "mV" or kind.is_ecg):
            policies.append(f"  {kind.stream}: {POLICY[units[0]]}\n")
    return STUDY.format(
        study=study,
        title=json.dumps(title, ensure_ascii=False),
        zone=zone,
        rate=min(max(rates, default=50.0), 2000.0),
        fill=FILL + "".join(policies) if policies else "",
    )


def _scenario(answers: Answers) -> str:
    nodes = "".join(
        f"  {row.node}: {{streams: [{', '.join(answers.streams.get(row.node, []))}]}}\n"
        for row in answers.nodes
    )
    planned = (
        PLANNED.format(
            session=row.session,
            start=f"{START + timedelta(days=day):%Y-%m-%dT%H:%M:%SZ}",
            rest=REST,
            walk=WALK,
        )
        for day, row in enumerate(answers.sessions)
    )
    return SCENARIO.format(nodes=nodes) + "".join(planned)


def _events(answers: Answers) -> Iterator[dict[str, str]]:
    """Yield the phases of the simulated sessions as a person would note them, in local time; else none."""
    for day, row in enumerate(answers.sessions if answers.streams else ()):
        for phase, after in (("rest", 0), ("walk", REST)):
            noted = (START + timedelta(days=day, minutes=after)).astimezone(ZoneInfo(answers.zone))
            yield {"session": row.session, "phase": phase, "start": f"{noted:%Y-%m-%dT%H:%M:%S}"}
