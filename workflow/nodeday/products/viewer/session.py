"""A finished session as the viewer asks for it: channels, windows, beats, gaps, phases."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from nodeday.config.study import Study
from nodeday.core.errors import ContractError, SettingsError
from nodeday.products.viewer.window import BIN_NS, Envelope, samples_drawn, silences, spans
from nodeday.schemas import TABLES
from nodeday.storage import samples, tables

NEAR = 200_000
"""A window that holds no more samples of a channel than this is drawn from the samples themselves."""
MAX_POINTS = 4000
_COLUMNS = ["utc_ns", "value", "origin", "rate_hz"]


@dataclass(frozen=True)
class ViewChannel:
    """A channel of a node, with what the page needs to label it."""

    node: str
    placement: str
    stream: str
    channel: str
    unit: str
    rate_hz: float

    @property
    def key(self) -> str:
        return f"{self.node}/{self.channel}"


class SessionView:
    """Tables of one session, read as the viewer asks for them.

    Raises ContractError where the session has not been run, or has no samples.
    """

    def __init__(self, study: Study, session: str) -> None:
        self.study, self.session = study, study.session(session).session
        nodes = self._of_study("sessions")
        if nodes.empty:
            raise ContractError(
                f"session {session} has no tables yet",
                str(study.results),
                "a finished session",
                "Run `nodeday run` first.",
            )
        if nodes["coverage_reason"].notna().all():
            raise ContractError(
                f"no frame of session {session} carries samples",
                str(study.results),
                "samples, which the day view draws",
                f"Losses stand on its page and in `nodeday audit {session}`.",
            )
        self.start_ns, self.end_ns = int(nodes["start_ns"].min()), int(nodes["end_ns"].max())
        self.channels = {channel.key: channel for channel in self._channels()}

    def _of_study(self, name: str) -> pd.DataFrame:
        path = tables.path(self.study.results, name)
        if not path.exists():
            return tables.empty(TABLES[name])
        rows = tables.read(path, name)
        return rows[rows["session"] == self.session].reset_index(drop=True)

    def _channels(self) -> list[ViewChannel]:
        return [
            ViewChannel(
                node.node, node.placement, kind.stream, channel.name, channel.unit, kind.rate_hz or 1.0
            )
            for node, kind in self.study.streams_of(self.session)
            for channel in kind.channels
            if (node.node, channel.name) in self._envelopes
        ]

    @cached_property
    def _envelopes(self) -> dict[tuple[str, str], Envelope]:
        """Envelope of every channel with samples, in one walk over the samples in bounded memory."""
        found: dict[tuple[str, str], Envelope] = {}
        for node, kind in self.study.streams_of(self.session):
            names = [channel.name for channel in kind.channels]
            columns = ["utc_ns", "origin", *names]
            for piece in samples.pieces(self.study.results, self.session, node.node, kind, columns):
                rows = piece.to_pandas()
                for name in names:
                    key = node.node, name
                    if key not in found:
                        found[key] = Envelope.over(self.start_ns, self.end_ns)
                    found[key].add(*_parts(rows.rename(columns={name: "value"})))
        return found

    def description(self) -> dict[str, Any]:
        """Return what the page needs to begin."""
        zone = self.study.zone_of(self.session)
        start = pd.Timestamp(self.start_ns, tz="UTC").tz_convert(zone)
        offset = start.utcoffset()
        phases = self._of_study("phases")
        return {
            "session": self.session,
            "study": self.study.file.title or self.study.file.study,
            "zone": str(zone),
            "start_ms": self.start_ns / 1e6,
            "end_ms": self.end_ns / 1e6,
            "offset_ms": offset.total_seconds() * 1e3 if offset is not None else 0.0,
            "channels": [vars(channel) | {"key": key} for key, channel in self.channels.items()],
            "phases": [
                {"phase": str(name), "from": self._ms(start), "to": self._ms(end)}
                for name, start, end in zip(
                    phases["phase"], phases["start_ns"], phases["end_ns"], strict=True
                )
                if end > start
            ],
            "gaps": self._worst_gaps(),
        }

    def _ms(self, utc_ns: Any) -> float:
        return (int(utc_ns) - self.start_ns) / 1e6

    def _worst_gaps(self, most: int = 500) -> list[dict[str, Any]]:
        """The longest holes of the envelopes in order of time; of equal ones the earlier."""
        holes = {
            (*hole, node) for (node, _), envelope in self._envelopes.items() for hole in envelope.holes()
        }
        longest = sorted(holes, key=lambda hole: (hole[0] - hole[1], hole))[:most]
        return [
            {"node": node, "from": a * BIN_NS / 1e6, "to": b * BIN_NS / 1e6} for a, b, node in sorted(longest)
        ]

    def _span(self, from_ms: float, to_ms: float, points: int) -> tuple[int, int]:
        """Start and end in ns UTC, cut to the session; raise SettingsError where nothing is left."""
        length = (self.end_ns - self.start_ns) / 1e6
        if not (from_ms < to_ms and from_ms <= length and to_ms > 0 and 2 <= points <= MAX_POINTS):
            found = f"no window from {from_ms:g} to {to_ms:g} ms with {points} points"
            raise SettingsError(found, expected=f"a part of 0 to {length:.0f} ms, 2 to {MAX_POINTS} points")
        first, last = max(from_ms, 0.0), min(to_ms, length)
        return self.start_ns + round(first * 1e6), self.start_ns + round(last * 1e6) + 1

    def window(self, key: str, from_ms: float, to_ms: float, points: int) -> dict[str, Any]:
        """Return a channel in [from, to) after the session's start: an envelope from afar, or samples.

        Raises SettingsError where there is no such channel or window.
        """
        channel = self.channels.get(key)
        if channel is None:
            raise SettingsError(f"no channel {key}", expected=f"one of {', '.join(self.channels)}")
        from_ns, to_ns = self._span(from_ms, to_ms, points)
        if (to_ns - from_ns) / 1e9 * channel.rate_hz > NEAR:
            drawn = self._envelopes[channel.node, channel.channel].drawn(from_ns, to_ns, points)
            return {"form": "envelope", **drawn}
        rows = self._rows(channel, from_ns, to_ns)
        utc, value, filled, missing = _parts(rows)
        ms, period = (utc - self.start_ns) / 1e6, 1e3 / rows["rate_hz"].to_numpy(np.float64)
        window = (from_ns - self.start_ns) / 1e6, (to_ns - self.start_ns) / 1e6
        return {
            "form": "samples",
            **samples_drawn(ms, value, filled, missing, points),
            "missing": spans(ms, missing, period),
            "silent": silences(ms, period, *window),
        }

    def _rows(self, channel: ViewChannel, from_ns: int, to_ns: int) -> pd.DataFrame:
        kind = self.study.layout_of(self.session, channel.node).stream(channel.stream)
        inside = [("utc_ns", ">=", from_ns), ("utc_ns", "<=", to_ns)]
        return samples.read(
            self.study.results, self.session, channel.node, kind, _COLUMNS, inside, channel.channel
        )

    @cached_property
    def _beats(self) -> pd.DataFrame:
        columns = ["node", "utc_ns", "rr_ms", "rr_status", "origin"]
        return tables.read(tables.path(self.study.results, "beats", self.session), "beats", columns)

    def beats(self, from_ms: float, to_ms: float, points: int) -> dict[str, Any]:
        """Return R peaks in [from, to) with the rate of the interval before each.

        From afar it is the mean rate of neighbours. Intervals that do not count for heart rate have none.
        """
        from_ns, to_ns = self._span(from_ms, to_ms, points)
        rows = self._beats[self._beats["utc_ns"].between(from_ns, to_ns)]
        normal = rows["rr_status"].isin(["normal", "beat_in_fill", "pause"]).to_numpy(np.bool_)
        t, bpm = (
            (rows["utc_ns"].to_numpy() - self.start_ns) / 1e6,
            60_000 / rows["rr_ms"].to_numpy(np.float64),
        )
        bpm = np.where(normal, bpm, np.nan)
        if len(t) > points:
            edges = np.linspace(t[0], t[-1] + 1, points + 1)
            total, count = (np.histogram(t[normal], edges, weights=w)[0] for w in (bpm[normal], None))
            t = (edges[1:] + edges[:-1]) / 2
            bpm = np.divide(total, count, out=np.full(points, np.nan), where=count > 0)
        return {
            "t": t.tolist(),
            "bpm": [None if np.isnan(rate) else round(rate, 2) for rate in bpm.tolist()],
        }


def _parts(rows: pd.DataFrame) -> tuple[Any, Any, Any, Any]:
    """Instant, value, whether filled and whether missing, (n,) each."""
    origin = rows["origin"].astype(str).to_numpy()
    return (
        rows["utc_ns"].to_numpy(np.int64),
        rows["value"].to_numpy(np.float64),
        origin == "interpolated",
        origin == "missing",
    )
