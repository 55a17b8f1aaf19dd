"""Figure of the worst gaps of the ECG: what was received around each, what was filled, what is missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from nodeday.config.models import Fill
from nodeday.config.study import Study
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.schemas.codes import BEAT_ORIGIN, ORIGIN, RR_STATUS
from nodeday.stages.report import spans, worst_gaps
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.figure_tables import instants
from nodeday.stages.report.panels import LABEL, PanelGrid, YAxis
from nodeday.stages.report.spans import SECOND
from nodeday.stages.report.streams import ABSENT, StreamFacts
from nodeday.stages.report.svg import Drawing, Figure, diamond
from nodeday.stages.report.words import duration, listed, local
from nodeday.stages.report.worst_gaps import ChannelStretch, Span
from nodeday.storage import tables

SHOWN_S, HOLE_S = 7.0, 2.0
"""Seconds that a panel is wide, and how much of it a hole may take; a longer one is drawn broken."""
GRID, INSET, HEAD, PLOT = PanelGrid(3, 272, 22, 170), 30, 46, 104
MOST_POINTS = 700


@dataclass(frozen=True)
class Fold:
    """Abscissa of a panel around the gap [start, end) in UTC, folded where the gap is too long.

    Time is to scale outside the gap, and evenly squeezed inside a gap longer than HOLE_S.
    """

    start_ns: int
    end_ns: int

    @property
    def seconds(self) -> float:
        return (self.end_ns - self.start_ns) / SECOND

    @property
    def hole_s(self) -> float:
        return min(self.seconds, HOLE_S)

    @property
    def around_ns(self) -> int:
        return round((SHOWN_S - self.hole_s) / 2 * SECOND)

    @property
    def edges(self) -> tuple[int, int]:
        """The panel's first instant, and one past its last."""
        return self.start_ns - self.around_ns, self.end_ns + self.around_ns

    def at(self, utc_ns: Ints) -> Floats:
        """Seconds from the panel's left edge, for instants (n,)."""
        before = (utc_ns - self.start_ns) / SECOND
        after = (utc_ns - self.end_ns) / SECOND + self.hole_s
        inside = before * self.hole_s / max(self.seconds, 1e-9)
        since = np.where(before < 0, before, np.where(utc_ns < self.end_ns, inside, after))
        seconds: Floats = since + self.around_ns / SECOND
        return seconds


@dataclass(frozen=True)
class Gap:
    """A gap with the samples and R peaks around it, and what was done with it in words."""

    fold: Fold
    cause: str
    samples: ChannelStretch
    beats: pd.DataFrame
    words: str
    sentence: str

    @property
    def head(self) -> str:
        return f"{duration(self.fold.seconds)}, {LABEL[self.cause]}"


def worst(study: Study, facts: PageFacts) -> Figure | None:
    """Draw the worst gaps of the stream that heart rate comes from.

    None where no stream has heart rate, or where that stream lost nothing.
    """
    stream = _ecg(facts)
    if stream is None:
        return None
    kind = study.layout_of(facts.session, stream.node).stream(stream.stream)
    channel = kind.channels[0]
    policy = study.file.fill.get(stream.stream)
    inner = stream.cause != ABSENT
    starts, ends = stream.start_ns[inner], stream.end_ns[inner]
    fill_ms = policy.max_ms if policy and policy.method != "none" else 0.0
    peaks = tables.read(
        tables.path(study.results, "beats", facts.session),
        "beats",
        ["node", "utc_ns", "origin", "rr_status"],
        [("node", "==", stream.node)],
    )
    imputed = peaks.loc[peaks["origin"] == "imputed", "utc_ns"].to_numpy(np.int64)
    carried = np.searchsorted(imputed, ends) - np.searchsorted(imputed, starts)
    index = worst_gaps.choose(starts, ends, carried, fill_ms, round(SHOWN_S * SECOND / 2))
    if not index.size:
        return None
    folds = [Fold(int(starts[at]), int(ends[at])) for at in index]
    drawn = worst_gaps.stretches(
        study, facts.session, stream.node, kind, channel.name, [_around(fold, fill_ms) for fold in folds]
    )
    gaps = []
    for fold, samples, cause, extent in zip(
        folds, drawn, stream.cause[inner][index], stream.extent[inner][index], strict=True
    ):
        near = peaks[peaks["utc_ns"].between(*fold.edges, inclusive="left")]
        gaps.append(Gap(fold, str(cause), samples, near, *_done(fold, str(extent), samples, near, policy)))
    return _figure(stream, facts, gaps, f"{channel.name}, {channel.unit}")


def _done(
    fold: Fold, extent: str, samples: ChannelStretch, beats: pd.DataFrame, policy: Fill | None
) -> tuple[str, str]:
    first, last = fold.start_ns - worst_gaps.SLACK_NS, fold.end_ns - worst_gaps.SLACK_NS
    inside = (samples.utc_ns >= first) & (samples.utc_ns < last)
    counts = {code: int(np.count_nonzero(samples.origin[inside] == code)) for code in ORIGIN}
    on_fill = (beats["origin"] == "imputed") & beats["utc_ns"].between(first, last, inclusive="left")
    return worst_gaps.treatment(fold.end_ns - fold.start_ns, extent, counts, int(on_fill.sum()), policy)


def _ecg(facts: PageFacts) -> StreamFacts | None:
    heart = facts.epochs[facts.epochs["feature"] == "heart_rate_bpm"]
    if heart.empty:
        return None
    streams = [s for s in facts.streams if s.node == str(heart["node"].iloc[0]) and s.stream]
    channel = str(heart["channel"].iloc[0])
    return next((s for s in streams if s.stream == channel), next(iter(streams), None))


def _around(fold: Fold, fill_ms: float) -> list[Span]:
    """Spans to read around a gap, without the middle of one that no fill may close."""
    first, last = fold.edges
    if fold.seconds <= max(HOLE_S, fill_ms / 1e3):
        return [(first, last)]
    return [(first, fold.start_ns + SECOND), (fold.end_ns - SECOND, last)]


def _figure(stream: StreamFacts, facts: PageFacts, gaps: list[Gap], unit: str) -> Figure:
    heads = [f"{local(gap.fold.start_ns, facts.zone, '%H:%M:%S')}, {gap.head}" for gap in gaps]
    about = "; ".join(f"{head}: {gap.words}" for head, gap in zip(heads, gaps, strict=True))
    title = f"Worst gaps of {stream.node} {stream.stream}"
    drawing = Drawing("worst", f"{title}, {unit}", about, GRID.height(len(gaps)) - 8)
    values = np.concatenate([gap.samples.value for gap in gaps])
    alike: dict[str, list[str]] = {}
    for index, (head, gap) in enumerate(zip(heads, gaps, strict=True)):
        left, top = GRID.corner(index)
        drawing.text(left, top + 13, f"{index + 1}", "name")
        drawing.text(left + 18, top + 13, head, "tick strong")
        drawing.text(left + 18, top + 27, gap.words, "tick faint")
        _panel(drawing, gap, left + INSET, left + GRID.width, top + HEAD, values, stream)
        alike.setdefault(gap.sentence, []).append(str(index + 1))
    notes = [f"{listed(numbers)}: {sentence}" for sentence, numbers in alike.items()]
    return Figure(
        "worst",
        title,
        f"The longest holes, and the longest that a fill may close; {unit}, {SHOWN_S:g} s a panel. "
        "Line: received. Dotted: computed, never measured. Hatched: missing; a hole longer than "
        f"{HOLE_S:g} s is drawn broken. ▼ R peak on measured samples, ◇ on computed ones.",
        drawing.markup(),
        _rows(gaps),
        notes,
    )


def _panel(
    drawing: Drawing, gap: Gap, x0: float, x1: float, top: float, values: Floats, stream: StreamFacts
) -> None:
    bottom, scale = top + PLOT, (x1 - x0) / SHOWN_S
    value = YAxis.over(values, top + 8, bottom, most=3)
    value.draw(drawing, x0, x1)
    fold = gap.fold
    _holes(drawing, gap, stream, (x0, x1, top, bottom), scale)
    if fold.seconds > HOLE_S:
        middle = x0 + SHOWN_S / 2 * scale
        for y in (bottom, top + 8):
            drawing.path(f"M{middle - 6:.1f} {y + 4:.1f}l6 -8M{middle:.1f} {y + 4:.1f}l6 -8", "break")
        drawing.text(middle, top + PLOT / 2 + 8, duration(fold.seconds), "inside", "middle")
    at, received, computed = _lines(gap)
    for line, style in ((received, "trace"), (computed, "filled")):
        index = spans.decimate(line, MOST_POINTS)
        drawing.polyline(x0 + at[index] * scale, value.y(line[index]), style)
    _peaks(drawing, gap, x0, scale, top)


def _holes(
    drawing: Drawing, gap: Gap, stream: StreamFacts, box: tuple[float, float, float, float], scale: float
) -> None:
    """Hatch the lost spans without a fill, wash those with one, and draw a bracket under the gap."""
    x0, x1, top, bottom = box
    fold, (first, last) = gap.fold, gap.fold.edges
    shown = (stream.end_ns > first) & (stream.start_ns < last)
    filled = gap.samples.utc_ns[gap.samples.origin == "interpolated"]
    for start, end in zip(stream.start_ns[shown], stream.end_ns[shown], strict=True):
        left, right = (x0 + float(x) * scale for x in fold.at(np.array([start, end])))
        computed = bool(np.any((filled >= start - worst_gaps.SLACK_NS) & (filled < end)))
        left, right = max(left, x0), min(right, x1)
        if computed:
            drawing.rect(left, top + 8, right - left, bottom - top - 8, "blank")
        else:
            drawing.hole(left, top + 8, right - left, bottom - top - 8, style="hole framed")
    left, right = (x0 + float(x) * scale for x in fold.at(np.array([fold.start_ns, fold.end_ns])))
    drawing.path(f"M{left:.1f} {bottom + 2}v5H{right:.1f}v-5", "bracket")


def _lines(gap: Gap) -> tuple[Floats, Floats, Floats]:
    """Abscissa in seconds, received values and computed ones, with a break where samples do not adjoin."""
    samples = gap.samples
    steps = np.diff(samples.utc_ns)
    apart = np.flatnonzero(steps > 1.5 * np.median(steps)) + 1 if steps.size else np.zeros(0, np.intp)
    fill = samples.origin == "interpolated"
    received = (samples.origin == "measured") | (samples.origin == "recovered")
    at = np.insert(gap.fold.at(samples.utc_ns), apart, np.nan)
    got = np.insert(np.where(received, samples.value, np.nan), apart, np.nan)
    return at, got, np.insert(np.where(with_neighbours(fill), samples.value, np.nan), apart, np.nan)


def with_neighbours(fill: Bools) -> Bools:
    """Return the mask (n,) of computed samples and of both neighbours of each.

    A fill of one sample then shows as a line.

    >>> with_neighbours(np.array([False, True, False, False])).tolist()
    [True, True, True, False]
    """
    near: Bools = fill.copy()
    near[1:] |= fill[:-1]
    near[:-1] |= fill[1:]
    return near


def _peaks(drawing: Drawing, gap: Gap, x0: float, scale: float, top: float) -> None:
    """Draw triangles on measured samples and open diamonds on computed ones, each with a hint."""
    at = gap.fold.at(gap.beats["utc_ns"].to_numpy(np.int64))
    for second, origin, status in zip(
        at, gap.beats["origin"].astype(str), gap.beats["rr_status"].astype(str), strict=True
    ):
        x = x0 + float(second) * scale
        shape = f"M{x - 3.5:.1f} {top - 3:.1f}h7l-3.5 6z"
        if origin == "imputed":
            shape = diamond(x, top)
        drawing.marks.append(
            f'<path class="beat{" open computed" if origin == "imputed" else ""}" d="{shape}">'
            f"<title>{BEAT_ORIGIN[origin]}; its interval: {RR_STATUS.get(status, status)}</title></path>"
        )


def _rows(gaps: list[Gap]) -> pd.DataFrame:
    """Every sample that is drawn, with the gap around which it lies; a gap without samples has a row."""
    pieces = []
    for number, gap in enumerate(gaps, 1):
        drawn = pd.DataFrame(
            {"utc": instants(gap.samples.utc_ns), "value": gap.samples.value, "origin": gap.samples.origin}
        )
        edges = instants(np.array([gap.fold.start_ns, gap.fold.end_ns]))
        drawn = drawn if len(drawn) else drawn.reindex([0])
        pieces.append(
            drawn.assign(
                gap=number, gap_start_utc=edges[0], gap_end_utc=edges[1], cause=gap.cause, done=gap.words
            )
        )
    return pd.concat(pieces, ignore_index=True)
