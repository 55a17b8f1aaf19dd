"""Measured against declared: claims of layouts and what their frames show, in 80 columns."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from nodeday.schemas import TABLES
from nodeday.stages.frames.decode import RADIO
from nodeday.stages.frames.measure import Measures, StreamMeasure

TOLERANCE, ERRORS = 0.03, 4.0
"""A measured pace may differ from the declared one by 3 %, as much as the stage bridges, and by four standard
errors of its median. Choices of this project."""
MOST_DBM, BATTERY_V = 0.0, (0.5, 30.0)
"""No radio on a body receives more; voltages of batteries that a person carries. Choices of this project."""
MAIN_SHARE = 0.5
"""A step of the counter is its usual one where half of all steps are. A choice of this project."""
NAME_WIDTH = 16

Cells = list[str]


def disagreements(measures: Measures) -> list[str]:
    """Return a sentence for each claim of a layout that its frames contradict."""
    found = []
    for (layout, role), count in measures.impossible.items():
        total, column = measures.values[layout, role], TABLES["frames"][RADIO[role]]
        if 2 * count > total:
            found.append(
                f"layout {layout}: {count:,} of {total:,} values of {role} are outside {column.ge:g} to "
                f"{column.le:g} {column.unit}; look at its scale, offset and sign"
            )
    for each in measures.streams:
        found += [*_paces(each, measures.hub_stamps), *_counter(each), *_ranges(each), *_senders(each)]
    return [*_one_factor(measures), *found]


def _paces(each: StreamMeasure, hub_stamps: bool) -> list[str]:
    found = []
    kind, where = each.kind, _where(each)
    if each.period_s and kind.timing != "irregular" and _differ(each.period_s, kind.period_s):
        what = f"rate_hz {kind.rate_hz:g} and samples {kind.samples}" if kind.rate_hz else "every_s"
        odd = "" if each.regular else "; they come irregularly, which timing: irregular would declare"
        found.append(
            f"{where}: a frame every {each.period_s[0]:.6g} s, and {what} say {kind.period_s:.6g} s{odd}"
        )
    if each.period_s and kind.timing == "regular" and not each.regular:
        found.append(f"{where}: frames come irregularly, and timing says regular")
    if each.ticks_hz and hub_stamps and _differ(each.ticks_hz, _declared_hz(each)):
        found.append(
            f"{where}: {each.ticks_hz[0]:.6g} ticks a second, and rate_hz says {_declared_hz(each):g}"
        )
    return found


def _differ(measured: tuple[float, float], declared: float) -> bool:
    value, error = measured
    return abs(value - declared) > TOLERANCE * declared + ERRORS * error


def _declared_hz(each: StreamMeasure) -> float:
    return each.layout.tick_hz(each.kind.stream)


def _one_factor(measures: Measures) -> list[str]:
    """A hint where every pace is off by one factor: the hub's unit is wrong, and all else may be right."""
    ratios = [each.period_s[0] / each.kind.period_s for each in measures.streams if each.period_s]
    hz = [
        _declared_hz(each) / each.ticks_hz[0]
        for each in measures.streams
        if each.ticks_hz and each.ticks_hz[0]
    ]
    if not ratios or not hz or max(ratios + hz) > (1 + 2 * TOLERANCE) * min(ratios + hz):
        return []
    factor = sorted(ratios + hz)[len(ratios + hz) // 2]
    if abs(factor - 1) <= TOLERANCE:
        return []
    return [f"every pace is off by one factor, {factor:.4g}: look at unit_ns of the hub's stamp first"]


def _counter(each: StreamMeasure) -> list[str]:
    if each.usual_step in (None, 1) or each.step_share < MAIN_SHARE:
        return []
    share = f"{each.step_share:.0%} of its steps"
    return [f"{_where(each)}: the counter goes up by {each.usual_step} ({share}), and not by 1 a frame"]


def _ranges(each: StreamMeasure) -> list[str]:
    found = []
    if "rssi_dbm" in each.ranges and each.ranges["rssi_dbm"][1] > MOST_DBM:
        found.append(
            f"{_where(each)}: RSSI of {each.ranges['rssi_dbm'][1]:.4g} dBm in the middle is above "
            f"{MOST_DBM:g}; look at its scale, offset and sign"
        )
    if "battery_v" in each.ranges:
        middle, (low, high) = each.ranges["battery_v"][1], BATTERY_V
        if not low <= middle <= high:
            found.append(
                f"{_where(each)}: a battery of {middle:.4g} V in the middle is outside {low:g} to {high:g}; "
                "look at its scale and offset"
            )
    return found


def _senders(each: StreamMeasure) -> list[str]:
    return [
        f"{_where(each)}: two senders behind one address; boots {one} and {other} take turns and both go on"
        for one, other in each.senders
    ]


def _where(each: StreamMeasure) -> str:
    more = f", kind {each.kind.kind}" if len(each.layout.kinds_of(each.kind.stream)) > 1 else ""
    return f"layout {each.layout.layout}, address {each.address}, stream {each.kind.stream}{more}"


def tables(measures: Measures) -> list[str]:
    """Return the measured streams as lines of aligned columns, a table for each question."""
    lines = []
    for head, row in (
        (["frames", "lost", "boots", "usual step", "its share"], _counts),
        (["every s", "declared", "ticks/s", "declared"], _rates),
        (["RSSI dBm", "LQI", "battery V"], _spans),
    ):
        lines += ["", *_aligned(["address", "stream", *head], measures.streams, row)]
    return lines


def _counts(each: StreamMeasure) -> Cells:
    lost = each.lost / max(each.lost + each.frames, 1)
    step = "-" if each.usual_step is None else f"{each.usual_step}"
    return [f"{each.frames:,}", f"{lost:.1%}", f"{each.boots}", step, f"{each.step_share:.1%}"]


def _rates(each: StreamMeasure) -> Cells:
    period = f"{each.period_s[0]:.6g}" if each.period_s else "-"
    ticks = f"{each.ticks_hz[0]:.6g}" if each.ticks_hz else "-"
    declared = f"{_declared_hz(each):.6g}" if each.layout.has_ticks else "-"
    return [period, f"{each.kind.period_s:.6g}", ticks, declared]


def _spans(each: StreamMeasure) -> Cells:
    spans = (each.ranges.get(name) for name in RADIO.values())
    return ["-" if span is None else f"{span[0]:.4g} to {span[2]:.4g}" for span in spans]


def _aligned(
    head: Cells, streams: Sequence[StreamMeasure], row: Callable[[StreamMeasure], Cells]
) -> list[str]:
    rows = [head]
    rows += [[f"{each.address}", each.kind.stream[:NAME_WIDTH], *row(each)] for each in streams]
    widths = [max(len(cells[at]) for cells in rows) for at in range(len(head))]
    return [
        "  ".join(
            cell.ljust(width) if at == 1 else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(cells, widths, strict=True))
        ).rstrip()
        for cells in rows
    ]
