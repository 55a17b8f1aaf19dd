"""Columns of samples: their quantity and unit by name, and which of them are one stream."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from nodeday.cli.init.recordings.roles import words_of
from nodeday.cli.init.recordings.source import Source, numbers_of

G = 9.80665
"""Standard gravity in m/s2 (CGPM 1901)."""
UNITS: dict[str, tuple[str, float, float]] = {
    "mv": ("mV", 1.0, 0.0),
    "millivolt": ("mV", 1.0, 0.0),
    "uv": ("mV", 1e-3, 0.0),
    "µv": ("mV", 1e-3, 0.0),
    "v": ("mV", 1e3, 0.0),
    "g": ("g", 1.0, 0.0),
    "mg": ("g", 1e-3, 0.0),
    "m/s2": ("g", 1 / G, 0.0),
    "m/s²": ("g", 1 / G, 0.0),
    "ms2": ("g", 1 / G, 0.0),
    "mps2": ("g", 1 / G, 0.0),
    "degc": ("degC", 1.0, 0.0),
    "°c": ("degC", 1.0, 0.0),
    "celsius": ("degC", 1.0, 0.0),
    "c": ("degC", 1.0, 0.0),
    "degf": ("degC", 5 / 9, -160 / 9),
    "°f": ("degC", 5 / 9, -160 / 9),
    "k": ("degC", 1.0, -273.15),
    "dps": ("deg/s", 1.0, 0.0),
    "deg/s": ("deg/s", 1.0, 0.0),
    "ut": ("uT", 1.0, 0.0),
    "µt": ("uT", 1.0, 0.0),
    "hpa": ("hPa", 1.0, 0.0),
    "pa": ("Pa", 1.0, 0.0),
    "us": ("uS", 1.0, 0.0),
    "µs": ("uS", 1.0, 0.0),
    "lux": ("lux", 1.0, 0.0),
    "%": ("%", 1.0, 0.0),
}
"""Unit of the values, and the factor and offset to it, by what a column's name or a person says."""
QUANTITIES = {
    "ecg": "ecg ekg ekgmv elektrokardiogramm",
    "acc": "acc accel acceleration beschleunigung accelerometer aceleracion ax ay az x y z",
    "gyr": "gyr gyro gyroscope gx gy gz",
    "mag": "mag magnetometer",
    "temp": "temp temperature temperatur temperatura skin hauttemperatur skintemp",
}
UNIT_OF = {"ecg": "mV", "acc": "g", "temp": "degC"}
TYPE_OF = {"ecg": "ecg", "acc": "acceleration", "temp": "temperature"}
FEWEST_SAMPLES = 4
"""Columns that differ in a number alone and are fewer are channels side by side, not samples of a frame. A
choice of this project."""


class UnitFound(NamedTuple):
    """Unit of a column; ``sure`` where its name or a person says it."""

    unit: str
    scale: float
    offset: float
    sure: bool


@dataclass
class ChannelColumns:
    """A channel: its column or the pattern of its columns, and what its name says of it."""

    column: str
    names: tuple[str, ...]
    quantity: str
    axis: str


def channel_columns(source: Source, names: list[str]) -> tuple[list[ChannelColumns], bool, str]:
    """Return the channels among ``names``, whether a row is a frame of several samples, and how that shows.

    Columns that differ only in a running number are samples of a frame where they follow one another more
    closely than the same column from row to row.
    """
    stems: dict[str, list[tuple[int, str]]] = {}
    for name in names:
        for match in re.finditer(r"\d+", name):
            stem = f"{name[: match.start()]}*{name[match.end() :]}"
            stems.setdefault(stem, []).append((int(match[0]), name))
    series = {}
    for stem, members in stems.items():
        numbers = sorted(number for number, _ in members)
        run = list(range(numbers[0], numbers[0] + len(numbers)))
        if len(members) >= FEWEST_SAMPLES and numbers == run and "*" in stem and numbers[0] in (0, 1):
            series[stem] = tuple(name for _, name in sorted(members))
    smooth = {stem: columns for stem, columns in series.items() if _follow_on(source, columns)}
    inside = {name for columns in smooth.values() for name in columns}
    found = [_channel(stem, columns) for stem, columns in smooth.items()]
    found += [_channel(name, (name,)) for name in names if name not in inside]
    why = "neighbouring columns follow one another more closely than rows do" if smooth else ""
    return found, bool(smooth), why


def _follow_on(source: Source, columns: tuple[str, ...]) -> bool:
    parts = [numbers_of(source.head, name) for name in columns]
    values = np.stack([part[0] for part in parts if part is not None], axis=1)
    there = np.stack([part[1] for part in parts if part is not None], axis=1).all(axis=1)
    values = values[there]
    if len(values) < 2:
        return False
    inside = np.abs(np.diff(values, axis=1)).mean()
    return bool(inside <= np.abs(np.diff(values, axis=0)).mean())


def quantity_of(name: str) -> str:
    """Return the quantity that the words of a name speak for, such as ``ecg``; nothing where none does."""
    words = set(words_of(name.replace("*", " ")))
    return next((quantity for quantity, known in QUANTITIES.items() if words & set(known.split())), "")


def _channel(column: str, names: tuple[str, ...]) -> ChannelColumns:
    quantity = quantity_of(column)
    last = re.sub(r"[^a-z]", " ", column.lower()).split()
    axes = ["x", "y", "z", "ax", "ay", "az", "gx", "gy", "gz"]
    axis = next((word[-1] for word in reversed(last) if word in axes), "")
    if not axis and quantity in ("acc", "gyr", "mag"):
        axis = next((word[-1] for word in last if word[-1] in "xyz"), "")
    return ChannelColumns(column, names, quantity, axis)


def unit_of(channel: ChannelColumns, given: Mapping[str, str]) -> UnitFound:
    """Return the unit of a channel, by a person, by its name, or ``counts`` as nobody tells."""
    if channel.column in given:
        text = given[channel.column]
        return UnitFound(*UNITS.get(text.lower(), (text, 1.0, 0.0)), sure=True)
    text = channel.column.replace("*", "").lower()
    for part in sorted(UNITS, key=len, reverse=True):
        if re.search(rf"(^|[\W_]){re.escape(part)}($|[\W_])", text[1:]) and (
            len(part) > 1 or channel.quantity in ("ecg", "acc", "temp")
        ):
            unit, scale, offset = UNITS[part]
            wanted = UNIT_OF.get(channel.quantity)
            if wanted in (None, unit):
                return UnitFound(unit, scale, offset, sure=True)
    return UnitFound("counts", 1.0, 0.0, sure=False)


def free_name(wanted: str, taken: set[str], reserved: Collection[str] = ()) -> str:
    """Return a name of small letters and digits that nothing has yet, and add it to those ``taken``."""
    plain = re.sub(r"[^a-z0-9]", "", wanted.lower()) or "value"
    plain = plain if plain[0].isalpha() else f"c{plain}"
    names = [plain, *(f"{plain}{number}" for number in range(2, 10_000))]
    found = next(name for name in names if name not in taken and name not in reserved)
    taken.add(found)
    return found
