"""Audit of one session: what it lost and why, from its tables, which must agree with its frames."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core.percent import percent
from nodeday.products.audit import checks, describe, transmit
from nodeday.products.audit.arrivals import Arrivals, count_arrivals
from nodeday.schemas import TABLES
from nodeday.schemas.codes import AGREEMENT
from nodeday.stages.loss.hub import HubRuns
from nodeday.stages.loss.stage import NAMES, account, paces, sent_lists
from nodeday.stages.loss.streams import session_frames
from nodeday.stages.report import verdict
from nodeday.stages.report.fig_coverage import absent_by_cause
from nodeday.stages.report.streams import read_streams
from nodeday.storage import frames, session_cut, tables
from nodeday.storage.shares import COVERAGE, FRAME_LOSS

COUNTED = ["row", "capture", "offset", "node", "stream", "boot", "seq", "status"]
"""Columns of the frames that are counted anew, or that name a single frame."""
CHECKSUMS = (
    "A radio that drops frames with a bad checksum itself never hands them over: "
    "then this count says nothing, and 0 is not none."
)
FIELDS = (
    "Values of fields: frames received with each (share of them behind which a loss on the air begins; what "
    "a lost frame itself held is not known):"
)
NO_VERDICT = "none yet; the study's rules were not applied (stage study)."


@dataclass(frozen=True)
class Audit:
    """Findings of an audit: rows of ``radio`` with the worst minute of each stream, and sentences.

    ``fields`` are rows of table ``fields``, ``broken`` limits of the study that are not kept, ``differences``
    cells and rows of tables that do not agree with the frames, ``sent`` counts of the transmit list,
    ``contradictions`` those of list and frames, ``senders`` nodes whose address several senders seem to
    share, ``own_clocks`` nodes whose ticks do not count the network's time as their layout declares,
    ``clocks`` rows of table ``agreement``. ``verdict`` is the session's by the study's rules, None where they
    were not applied yet, and ``not_met`` the rules that it does not meet.
    """

    session: str
    streams: pd.DataFrame
    fields: pd.DataFrame
    verdicts: dict[str, str]
    broken: list[str]
    differences: list[str]
    batteries: list[str]
    sent: list[str]
    contradictions: list[str]
    conflicts: list[str]
    senders: list[str]
    own_clocks: list[str]
    arrivals: Arrivals
    clocks: list[dict[str, Any]]
    verdict: str | None
    not_met: list[str]

    @property
    def bad_checksums(self) -> int:
        """Rejects whose checksum does not hold."""
        return self.arrivals.rejects.get("bad_checksum", 0)

    @property
    def apart(self) -> list[str]:
        """A sentence for each pair of nodes whose clocks shared movements contradict."""
        return [_pair(row) for row in self.clocks if row["verdict"] == "disagrees"]

    @property
    def good(self) -> bool:
        """True where every limit of an audit is kept, and tables, clocks and transmit list agree.

        The study's rules of inclusion do not count here: they decide, and break nothing.
        """
        faults = self.broken, self.differences, self.apart, self.contradictions, self.own_clocks
        return not any(faults)


def _pair(row: dict[str, Any]) -> str:
    name = f"{row['node']} and {row['other']}"
    if not row["moments"]:
        return f"{name}: {AGREEMENT['no_movement']}"
    return (
        f"{name}: {row['offset_ms']:+.1f} ± {row['uncertainty_ms']:.1f} ms by {row['moments']} shared "
        f"movements, where the clocks claim ± {row['clock_ms']:.1f} ms: {row['verdict']}"
    )


def audit(study: Study, session: str) -> Audit:
    """Read the tables of a session and compare them with its frames.

    Raises ContractError where a table is absent.
    """
    columns, runs = frames.columns_of(study.results, session), frames.hub_runs(study.results, session)
    cut = session_cut.read(study.results, session, study.is_cut(session))
    received = session_frames(columns, HubRuns.of(runs), paces(study, session), cut)
    lists = sent_lists(study, session, received)
    derived, _, unlisted = account(received, study.file.battery.empty_v, lists)
    rows = frames.table(study.results, session, COUNTED)
    stored = {name: tables.read(tables.path(study.results, name, session), name) for name in NAMES}
    columns_of_rejects = ["length", "reason", "address"]
    rejects = tables.read(tables.path(study.results, "rejects", session), "rejects", columns_of_rejects)
    streams = stored["radio"].astype({"node": str, "stream": str})
    streams = streams.assign(worst_minute=_worst(streams, stored["loss"], study.zone_of(session)))
    by_address = study.nodes_of(session)
    nodes = [row.node for row in by_address.values() if row.node != HUB]
    delivered = _delivered(study, session)
    return Audit(
        session,
        streams,
        stored["fields"].astype({"node": str, "stream": str, "field": str}),
        {
            node: describe.verdict(
                node, streams[streams["node"] == node], stored["gaps"], delivered.get(node)
            )
            for node in nodes
        },
        checks.broken(nodes, streams, study.file.limits),
        checks.totals(rows, stored, cut) + checks.differences(stored, derived),
        [describe.battery(row, study.file.battery.empty_v) for row in stored["battery"].to_dict("records")],
        transmit.counts(stored["sent"]),
        transmit.contradictions(unlisted, stored["sent"]),
        _conflicts(rows),
        checks.shared_addresses(streams),
        _own_clocks(study, session, nodes),
        count_arrivals(rows, rejects, by_address, _cut(study, session) if cut else None),
        _clocks(study, session),
        *_verdict(study, session),
    )


def _cut(study: Study, session: str) -> pd.DataFrame:
    return tables.read(tables.path(study.results, "cut", session), "cut")


def _verdict(study: Study, session: str) -> tuple[str | None, list[str]]:
    """Return the session's verdict and the rules that it does not meet; None where no rule was applied."""
    paths = {name: tables.path(study.results, name) for name in ("sessions", "exclusions")}
    if not all(path.exists() for path in paths.values()):
        return None, []
    every = {name: tables.read(path, name) for name, path in paths.items()}
    nodes, exclusions = (rows[rows["session"] == session] for rows in every.values())
    not_met = checks.rules_not_met(exclusions)
    if nodes.empty:
        return None, not_met
    found = verdict.of_session(nodes.reset_index(drop=True), exclusions, study.file.limits)
    return f"{found.code}: {found.sentence}", not_met


def _delivered(study: Study, session: str) -> dict[str, describe.Delivered]:
    """Return what each node delivered, by the stream of least coverage; nothing before stage study ran."""
    path = tables.path(study.results, "sessions")
    every = tables.read(path, "sessions") if path.exists() else tables.empty(TABLES["sessions"])
    rows = every[every["session"] == session]
    if rows.empty:
        return {}
    edges = None
    if not rows["start_ns"].isna().all():
        edges = int(rows["start_ns"].min()), int(rows["end_ns"].max())
    clock = tables.read(tables.path(study.results, "clock", session), "clock")
    streams = read_streams(study, session, clock, edges, float(rows["hours"].max()))
    found = {}
    for node, coverage in zip(rows["node"].astype(str), rows["coverage"], strict=True):
        own = [stream for stream in streams if stream.node == node]
        weakest = min(own, key=lambda stream: stream.coverage if stream.coverage == stream.coverage else 2.0)
        absent = {} if edges is None else absent_by_cause(weakest, edges)
        found[node] = describe.Delivered(float(coverage), absent)
    return found


def _own_clocks(study: Study, session: str, nodes: list[str]) -> list[str]:
    """A sentence for each node that contradicts its layout's network time; none before stage clock ran."""
    declared = [node for node in nodes if study.layout_of(session, node).network_ticks]
    path = tables.path(study.results, "clock", session)
    if not declared or not path.exists():
        return []
    clock = tables.read(path, "clock", ["node", "skew_ppm", "time_source"])
    return checks.own_clocks(clock.astype({"node": str, "time_source": str}), declared)


def _clocks(study: Study, session: str) -> list[dict[str, Any]]:
    """Rows of ``agreement``, clocks against movements that nodes shared; none before stage clock ran."""
    path = tables.path(study.results, "agreement", session)
    if not path.exists():
        return []
    found = tables.read(path, "agreement").astype({"node": str, "other": str, "verdict": str})
    return [{str(key): value for key, value in row.items()} for row in found.to_dict("records")]


def _worst(streams: pd.DataFrame, loss: pd.DataFrame, zone: ZoneInfo) -> list[str]:
    """The minute of each stream with the least received share, in local time where it has a UTC."""
    found = []
    for row in streams.to_dict("records"):
        of_stream = (loss["node"] == row["node"]) & (loss["stream"] == row["stream"])
        minutes = loss[of_stream & (loss["expected"] > 0)]
        share = minutes["received"].to_numpy() / minutes["expected"].to_numpy()
        if not len(minutes) or share.min() == 1:
            found.append("")
            continue
        worst = minutes.iloc[int(share.argmin())]
        when = f"hub {worst['minute_hub_ns'] // 60_000_000_000} min"
        if not pd.isna(worst["minute_utc_ns"]):
            instant = datetime.fromtimestamp(int(worst["minute_utc_ns"]) // 1_000_000_000, UTC)
            when = instant.astimezone(zone).strftime("%H:%M")
        found.append(f"{when} {percent(float(share.min()), 0)}")
    return found


def _conflicts(frames: pd.DataFrame, most: int = 10) -> list[str]:
    """A sentence for each second copy of other content, in order of capture, up to ``most``."""
    rows = frames[frames["status"] == "conflict"]
    found = [
        "{node}/{stream} boot {boot} frame {seq}: other content in capture {capture} at byte {offset}".format(
            **{str(name): value for name, value in row.items()}
        )
        for row in rows.head(most).to_dict("records")
    ]
    return found + ([f"and {len(rows) - most} more"] if len(rows) > most else [])


def text(found: Audit) -> str:
    """Return the audit as text for people."""
    lines = [
        describe.table(found.streams),
        "",
        *found.verdicts.values(),
        "",
        *found.batteries,
        *([""] if found.batteries else []),
    ]
    lines += [*found.arrivals.lines(), f"Bad checksums: {found.bad_checksums}. {CHECKSUMS}"]
    for head, rows in (
        ("Transmit list:", found.sent),
        ("Contradictions of the transmit list and the frames:", found.contradictions),
        (FIELDS, describe.fields(found.fields)),
        ("Conflicting copies (none is chosen; the first stands, both are kept):", found.conflicts),
        ("Addresses that several senders seem to share:", found.senders),
        ("Nodes that do not keep the declared time of their network:", found.own_clocks),
        ("Tables that do not follow from the frames:", found.differences),
        ("Clocks against movements that nodes shared:", [_pair(row) for row in found.clocks]),
    ):
        lines += ["", head, *(f"  {row}" for row in rows)] if rows else []
    agree = "" if found.differences else "The tables agree with the frames. "
    clocks = "No clock disagrees with shared movements." if found.clocks and not found.apart else ""
    last = f"{agree}{clocks}".strip()
    lines += ["", last] if last else []
    lines += ["", f"Coverage: {COVERAGE}.", f"Frame loss: {FRAME_LOSS}."]
    lines += ["", f"Verdict of {found.session}: {found.verdict or NO_VERDICT}"]
    return "\n".join([*lines, *(f"  not met: {row}" for row in [*found.broken, *found.not_met])])


def as_json(found: Audit) -> str:
    """Return the audit as JSON for programs; an absent value is null."""
    return json.dumps(
        {
            "session": found.session,
            "good": found.good,
            "streams": _records(found.streams),
            "fields": _records(found.fields),
            "fields_note": FIELDS,
            "verdicts": found.verdicts,
            "batteries": found.batteries,
            "sent": found.sent,
            "contradictions": found.contradictions,
            "broken": found.broken,
            "differences": found.differences,
            "conflicts": found.conflicts,
            "senders": found.senders,
            "own_clocks": found.own_clocks,
            "frames": found.arrivals.frames,
            "frames_outside_session": found.arrivals.outside,
            "rejects": found.arrivals.rejects,
            "reject_bytes": found.arrivals.reject_bytes,
            "unknown_addresses": found.arrivals.unknown,
            "addresses_of_another_layout": found.arrivals.elsewhere,
            "bad_checksums": found.bad_checksums,
            "bad_checksums_note": CHECKSUMS,
            "clocks": _plain(found.clocks),
            "verdict": found.verdict,
            "rules_not_met": found.not_met,
        },
        indent=2,
    )


def _records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    return _plain([{str(key): value for key, value in row.items()} for row in rows.to_dict("records")])


def _plain(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [
        {key: None if isinstance(value, float) and np.isnan(value) else value for key, value in row.items()}
        for row in rows
    ]
