"""The report stage: one page a session, and an index of the study. No page asks the network for anything."""

from __future__ import annotations

import json
import platform
from importlib.metadata import version
from typing import Any

import jinja2

from nodeday.config.models import capture_files
from nodeday.config.study import Study
from nodeday.core import html as page_parts
from nodeday.core.threads import one_thread
from nodeday.schemas.codes import EXCLUSION_RULE, NO_COVERAGE
from nodeday.stages.report import (
    fig_bursts,
    fig_clock,
    fig_coverage,
    fig_flow,
    fig_gaps,
    fig_hours,
    fig_loss,
    fig_minutes,
    fig_motion,
    fig_phases,
    fig_shared,
    fig_trend,
    fig_weeks,
    figure_tables,
    next_time,
    overview,
    rhythm_marks,
    verdict,
    words,
)
from nodeday.stages.report.facts import PageFacts, read_session, read_study
from nodeday.stages.report.panels import LABEL, MEANING
from nodeday.stages.report.svg import Figure
from nodeday.storage import shares


def _templates() -> dict[str, jinja2.Template]:
    environment = page_parts.templates("nodeday.stages.report")
    environment.globals.update(
        LABEL=LABEL,
        MEANING=MEANING,
        VERDICT_MARK=verdict.MARK,
        rules=EXCLUSION_RULE,
        no_coverage=NO_COVERAGE,
        frame_loss=shares.frame_loss,
        COVERAGE=shares.COVERAGE,
        SYMBOL={False: "✕", True: "✓"},
    )
    for name in ("percent", "limit", "count", "number", "duration", "local", "listed"):
        environment.filters[name] = getattr(words, name)
    return {name: environment.get_template(f"{name}.html") for name in ("parts", "page", "index")}


TEMPLATES = _templates()
"""Compiled when this module is imported, not for each page."""


@one_thread()
def run(study: Study, session: str) -> None:
    """Write ``results/report/<session>.html``, and the rows of its figures in ``<session>-data``.

    Raises ContractError where a table is absent or the study does not hold the session.
    """
    facts = read_session(study, session)
    figures = _figures(study, facts)
    causes, lost = fig_loss.table(facts)
    damaged = fig_loss.bad_checksums(study, session)
    rhythm = rhythm_marks.rhythm_marks(study, facts)
    field_rows, fields = fig_loss.by_field(study, session)
    advice = next_time.advise(next_time.advice_tables(study, facts, damaged))
    figure_tables.write(
        study.results / "report" / f"{session}-data",
        f"The page of session {session}",
        figures,
        [
            ("gaps", "Every lost stretch", fig_coverage.gap_rows(facts)),
            *([("rhythm", "Rhythm", rhythm.rows)] if rhythm.ecgs else []),
            *([("fields", "Frames by what fields held", field_rows)] if fields else []),
            ("exclusions", "Rules that are not met", facts.exclusions),
            ("ledger", "Ledger", facts.ledger),
            ("next-time", "What to do next time", next_time.rows(advice)),
        ],
    )
    page = TEMPLATES["page"].render(
        study=study.file,
        facts=facts,
        figures={figure.name: figure for figure in figures},
        trends=[figure for figure in figures if figure.name in {t.feature for t in fig_trend.TRENDS}],
        verdict=verdict.of_session(facts.nodes, facts.exclusions, study.file.limits),
        causes=causes,
        lost=lost,
        rhythm=rhythm,
        bad_checksums=damaged,
        fields=fields,
        advice=advice,
        looked_at=next_time.LOOKED_AT,
        settings=_settings(study, session),
        versions=_versions(),
        captures=_captures(study, session),
        batteries=verdict.batteries(study, session),
        data=f"{session}-data",
    )
    page_parts.write(study.results / "report" / f"{session}.html", page)


@one_thread()
def index(study: Study, sessions: list[str]) -> None:
    """Write ``results/report/index.html``, and the rows of its figures in ``index-data``.

    The page lists each finished or failed session in the order of the study's sheet, what of them counts,
    and how devices fare.
    """
    facts = read_study(study, sessions)
    drawn = (fig_hours.hours(facts), fig_flow.flow(facts), fig_phases.phases(facts), fig_weeks.weeks(facts))
    figures = {figure.name: figure for figure in drawn if figure is not None}
    figure_tables.write(
        study.results / "report" / "index-data",
        "The page of the study",
        list(figures.values()),
        [("sessions", "Sessions and nodes", facts.sessions)],
    )
    page = TEMPLATES["index"].render(
        study=study.file,
        rows=facts.rows,
        nodes=overview.nodes_of(study, facts.rows),
        figures=figures,
        steps=fig_flow.table(facts),
        summary=fig_hours.summary(facts),
        versions=_versions(),
        data="index-data",
    )
    page_parts.write(study.results / "report" / "index.html", page)


def _figures(study: Study, facts: PageFacts) -> list[Figure]:
    """Figures of a session's page in their order, without those that have nothing to show.

    Those with an axis of UTC are left out where no clock leads there.
    """
    drawn = [fig_loss.signal(study, facts), fig_bursts.bursts(study, facts)]
    if facts.edges is not None:
        drawn = [
            fig_coverage.coverage(facts),
            fig_loss.loss_bars(facts),
            fig_minutes.minutes(study, facts),
            *drawn,
            fig_clock.drift(facts),
            fig_clock.edge(facts),
            fig_clock.uncertainty(facts, study.file.limits.max_clock_uncertainty_ms),
            fig_shared.shared(study, facts),
            *(fig_trend.trend(facts, which) for which in fig_trend.TRENDS),
            fig_motion.motion(study, facts),
            fig_gaps.worst(study, facts),
        ]
    return [figure for figure in drawn if figure is not None]


def _settings(study: Study, session: str) -> list[tuple[str, str]]:
    """Every setting that shaped this session, by its key in the study's files."""
    found: list[tuple[str, str]] = []

    def walk(prefix: str, value: Any) -> None:
        if isinstance(value, dict):
            for key, inner in value.items():
                walk(f"{prefix}.{key}" if prefix else str(key), inner)
        else:
            found.append((prefix, "not set" if value is None else str(value)))

    walk("", study.file.model_dump())
    found.append(("session.zone", study.zone_of(session).key))
    for name, layout in study.layouts_of(session).items():
        found += [("layout", name), (f"{name}.delay_ms", f"{layout.delay_ms:g}")]
    return found


def _captures(study: Study, session: str) -> list[tuple[str, int, str]]:
    """Name, bytes and SHA-256 of each capture file as it was decoded, without files that are absent now."""
    parts = [name for files in capture_files(study.session(session).captures) for name in files]
    record = study.results / "captures" / f"{session}.json"
    decoded = json.loads(record.read_text(encoding="utf-8")) if record.is_file() else []
    return [
        (part, file["bytes"], file["sha256"])
        for part, file in zip(parts, decoded, strict=False)
        if (study.root / part).is_file()
    ]


def _versions() -> list[tuple[str, str]]:
    packages = ("nodeday", "numpy", "scipy", "pandas", "pandera", "pyarrow")
    return [*((name, version(name)) for name in packages), ("Python", platform.python_version())]
