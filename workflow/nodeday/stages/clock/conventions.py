"""What a layout says of the times in it: their units, their rounding, and what nobody knows of that."""

from __future__ import annotations

from nodeday.layouts import Layout
from nodeday.layouts.parts import Field
from nodeday.layouts.recording import RecordedLayout
from nodeday.stages.clock.rounding import Unit


def stamp_unit(layout: Layout) -> tuple[Unit, float]:
    """Return the unit of the hub's stamps, and half the width (ms) of what nobody knows of its rounding.

    A hub reads a counter, so that its stamps are rounded down; its marks lose as much, and the doubt cancels.
    The times of a decoded recording are UTC themselves, and a program wrote them: down, up or to the nearest.
    Where the recording's format does not say, the nearest is the middle, and half a unit covers all three.
    """
    unit_ms = hub_unit_ms(layout)
    if not isinstance(layout, RecordedLayout):
        return Unit(unit_ms), 0.0
    said = layout.recording.time.rounding if layout.recording.time else None
    return Unit(unit_ms, said or "nearest"), 0.0 if said else unit_ms / 2


def stamps_are_utc(layout: Layout) -> bool:
    """Whether the hub's stamps are instants in UTC, as the times of a decoded recording may be."""
    return isinstance(layout, RecordedLayout) and utc_field(layout) is not None


def hub_unit_ms(layout: Layout) -> float:
    """Return the unit (ms) of the hub's stamps."""
    return unit_ms(layout.field("hub_time"))


def utc_field(layout: Layout) -> Field | None:
    """Return the field of a mark that holds the host's UTC."""
    return next((field for kind in layout.kinds for field in kind.fields if field.role == "utc"), None)


def unit_ms(field: Field | None) -> float:
    """Return the unit (ms) of a time; a nanosecond where there is none."""
    return ((field.unit_ns if field else None) or 1) / 1e6
