"""A few seconds of signal around one gap, so that a reader sees what a hole looks like up close."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from nodeday import samples, tables
from nodeday.report import place
from nodeday.report.facts import Facts, Stream
from nodeday.report.figure import LABEL, Figure, instants
from nodeday.report.svg import LEFT, RIGHT, WIDTH, Drawing, TimeAxis, ValueAxis, polyline
from nodeday.report.words import duration, local
from nodeday.schemas.codes import ORIGIN, RR_STATUS
from nodeday.settings import Study

SECONDS, LONGEST_S, MOST_POINTS = 12, 4, 4000
ALIKE_NS = 2_000_000
TOP, BOTTOM = 40, 222


def representative(
    start_ns: NDArray[np.int64], end_ns: NDArray[np.int64], session: tuple[int, int], fill_ms: float = 0
) -> int | None:
    """Index of the gap (m,) to show: the one that holds the middle of all lost time when gaps are
    ordered by length, of those of up to 4 s. Of equals, one with a gap beside it that was short
    enough to fill, so that a reader sees both; and of these the nearest to the session's middle."""
    length = end_ns - start_ns
    short = np.flatnonzero((length > 0) & (length <= LONGEST_S * 1_000_000_000))
    if not short.size:
        return None
    order = short[np.argsort(length[short], kind="stable")]
    total = np.cumsum(length[order])
    middle = length[order[int(np.searchsorted(total, total[-1] / 2))]]
    alike = short[np.abs(length[short] - middle) <= ALIKE_NS]
    filled = start_ns[short][length[short] <= fill_ms * 1e6 + ALIKE_NS]
    beside = np.abs(filled[:, None] - start_ns[alike]) if fill_ms else np.empty((0, len(alike)))
    both = (beside < SECONDS * 400_000_000).any(axis=0)
    alike = alike[both] if both.any() else alike
    return int(alike[np.argmin(np.abs(start_ns[alike] - sum(session) // 2))])


def strip(study: Study, facts: Facts) -> Figure | None:
    """The stream that heart rate comes from, around its representative gap; None without one."""
    heart = facts.epochs[facts.epochs["feature"] == "heart_rate_bpm"]
    streams = [s for s in facts.streams if len(heart) and s.node == str(heart["node"].iloc[0])]
    stream = next((s for s in streams if s.stream == str(heart["channel"].iloc[0])), None) or next(
        iter(streams), None
    )
    if stream is None or not stream.stream:
        return None
    kind = study.layout_of(facts.session, stream.node).stream(stream.stream)
    channel = kind.channels[0]
    known = stream.extent == "known"
    starts, ends = stream.start_ns[known], stream.end_ns[known]
    policy = study.file.fill.get(stream.stream)
    index = representative(starts, ends, facts.span, policy.max_ms if policy else 0)
    at = sum(facts.span) // 2 if index is None else int(starts[index] + ends[index]) // 2
    first, last = _window(at, facts)
    inside: tables.Filters = [("utc_ns", ">=", first), ("utc_ns", "<", last)]
    rows = samples.read(
        study.results, facts.session, stream.node, kind, filters=inside, channel=channel.name
    ).sort_values("utc_ns")
    if rows.empty:
        return None
    beats = tables.read(tables.path(study.results, "beats", facts.session), "beats", filters=inside)
    beats = beats[beats["node"] == stream.node].sort_values("utc_ns")
    what = "no gap of up to 4 s to show; the middle of the session" if index is None else (
        f"around a gap of {duration(float(ends[index] - starts[index]) / 1e9)} "
        f"at {local(int(starts[index]), facts.zone, '%H:%M:%S')}"
    )  # fmt: skip
    time = TimeAxis(first, last, facts.zone)
    return _figure(stream, time, rows, beats, f"{channel.name}, {channel.unit}", what)


def _window(at_ns: int, facts: Facts) -> tuple[int, int]:
    half = SECONDS * 500_000_000
    first = max(facts.start_ns, min(at_ns - half, facts.end_ns - 2 * half))
    return first, min(first + 2 * half, facts.end_ns)


def _figure(
    stream: Stream, time: TimeAxis, rows: pd.DataFrame, beats: pd.DataFrame, unit: str, what: str
) -> Figure:
    origin = rows["origin"].to_numpy(object)
    values = rows["value"].to_numpy(np.float64)
    at = rows["utc_ns"].to_numpy(np.int64)
    counts = {code: int(np.count_nonzero(origin == code)) for code in ORIGIN}
    about = f"{what}: " + ", ".join(f"{n} samples {code}" for code, n in counts.items() if n)
    drawing = Drawing("strip", f"{stream.node} {stream.stream}, {SECONDS} seconds", about, BOTTOM + 34)
    value = ValueAxis.over(values, TOP, BOTTOM - 22, most=4)
    time.draw(drawing, TOP - 12, BOTTOM)
    value.draw(drawing, LEFT, WIDTH - RIGHT)
    drawing.text(0, TOP + 14, stream.node, "name")
    drawing.text(0, TOP + 29, unit, "tick faint")
    _missing(drawing, time, stream)
    got = (origin == "measured") | (origin == "recovered")
    breaks = _breaks(at)
    for kept, style in ((np.where(got, values, np.nan), "trace"), (_filled(values, origin), "filled")):
        x, y = np.insert(time.x(at), breaks, np.nan), np.insert(kept, breaks, np.nan)
        index = place.decimate(y, MOST_POINTS)
        line, dots = polyline(x[index], value.y(y[index]))
        drawing.path(line, style)
        drawing.path(dots, style)
    _beats(drawing, time, beats)
    table = rows[["node", "stream", "boot", "seq", "position", "raw", "value", "origin", "quality"]]
    return Figure(
        "strip", "Signal around a gap",
        f"{what[0].upper()}{what[1:]}. Line: received samples; dotted: computed by the fill policy, "
        "never measured; blank over a bracket: missing, left blank. Triangles are R peaks: full, the "
        "interval before it counts for variability; open, it does not.",
        drawing.markup(), table.assign(utc=instants(at)),
        [f"{n} samples {code}: {ORIGIN[code]}." for code, n in counts.items() if n],
    )  # fmt: skip


def _breaks(at_ns: NDArray[np.int64]) -> NDArray[np.intp]:
    """Where neighbours stand further apart than usual, as between two boots."""
    steps = np.diff(at_ns)
    return np.flatnonzero(steps > 1.5 * np.median(steps)) + 1 if steps.size else np.zeros(0, np.intp)


def _filled(values: NDArray[np.float64], origin: NDArray[np.object_]) -> NDArray[np.float64]:
    """Computed samples with the received ones beside them, so that a fill of one sample shows."""
    fill = origin == "interpolated"
    near = fill.copy()
    near[1:] |= fill[:-1]
    near[:-1] |= fill[1:]
    return np.where(near, values, np.nan)


def _missing(drawing: Drawing, time: TimeAxis, stream: Stream) -> None:
    for start, end, cause in zip(stream.start_ns, stream.end_ns, stream.cause, strict=True):
        if end <= time.start_ns or start >= time.end_ns or end <= start:
            continue
        x = float(time.x(max(int(start), time.start_ns)))
        to = float(time.x(min(int(end), time.end_ns)))
        drawing.rect(x, TOP, to - x, BOTTOM - TOP, "blank")
        drawing.path(f"M{x:.1f} {BOTTOM - 7}v5h{to - x:.1f}v-5", "bracket")
        words = f"{duration(float(end - start) / 1e9)}, {LABEL[cause]}"
        if to - x > 5.6 * len(words):
            drawing.text((x + to) / 2, BOTTOM - 11, words, "inside", "middle")


def _beats(drawing: Drawing, time: TimeAxis, beats: pd.DataFrame) -> None:
    for at, status in zip(beats["utc_ns"].to_numpy(np.int64), beats["rr_status"].astype(str), strict=True):
        x = float(time.x(int(at)))
        style = "beat" if status == "normal" else "beat open"
        drawing.marks.append(
            f'<path class="{style}" d="M{x - 4:.1f} {TOP - 14}h8l-4 7z">'
            f"<title>{RR_STATUS.get(status, status)}</title></path>"
        )
