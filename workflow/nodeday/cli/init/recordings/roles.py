"""Which column is the node, the sequence number, the time: by its name, and only where its content agrees."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pyarrow as arrow

from nodeday.cli.init.recordings.source import Source, numbers_of
from nodeday.core.errors import SettingsError, did_you_mean

WORDS: dict[str, str] = {
    "sequence": "sequence seq seqno seqnum packet packetno packetnr paket paketnr paketnummer pkt counter "
    "cnt count zaehler zähler laufnummer framenr frameno frame nr no num paquete numero secuencia paquet",
    "time": "time timestamp t ts zeit zeitstempel datetime date utc hora tiempo temps received instant clock",
    "ticks": "ticks tick tics",
    "node": "node knoten nodo noeud nœud sensor device unit address addr adresse dispositivo mac",
    "stream": "stream kind type art signal typ tipo",
    "boot": "boot boots reboot reboots reset resets restart restarts neustart",
    "battery": "battery batt bat vbat ubat akku batterie bateria",
    "rssi": "rssi",
    "lqi": "lqi",
}
"""Words of a column's name that speak for a role, the most telling first. A choice of this project."""
ROLES = tuple(WORDS)
COUNTED_SHARE, ONES_SHARE = 0.9, 0.01
"""An unnamed column counts where nine in ten of its steps are 0 or 1, and one in a hundred is 1. Choices of
this project."""
MOST_NAMES, MOST_NUMBERS = 1000, 32
"""Nodes or streams in words, or in numbers, beyond which a column is of something else. Choices of this
project."""


@dataclass
class Columns:
    """Columns by role; ``guessed`` are roles that the content of a column alone speaks for."""

    roles: dict[str, str] = field(default_factory=dict)
    guessed: set[str] = field(default_factory=set)
    channels: list[str] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)


def words_of(name: str) -> list[str]:
    """Return the words of a column's name, without numbers.

    >>> words_of("PaketNr"), words_of("t_ms"), words_of("EKG_mV")
    (['paket', 'nr', 'paketnr'], ['t', 'ms'], ['ekg', 'm', 'v', 'mv'])
    """
    out: list[str] = []
    for part in re.findall(r"[^\W\d_]+", name):
        pieces = re.findall(r"[^\W\d_a-zµäöüéñ]?[a-zäöüéñµœ]+|[A-ZÄÖÜÉÑ]+(?![a-zäöü])", part)
        out += [piece.lower() for piece in pieces]
        if part.lower() not in out:
            out.append(part.lower())
    return out


def find_columns(source: Source, given: Mapping[str, str]) -> Columns:
    """Return the columns of a file by role; ``given`` are those that a person named.

    Raises SettingsError where a named column is not there, or nothing counts frames or tells the time.
    """
    for role, name in given.items():
        if name not in source.names:
            hint = did_you_mean(name, source.names)
            raise SettingsError(
                f"no column {name}{hint} for {role}", str(source.path), "a column of the file"
            )
    found = Columns(dict(given))
    for role in ROLES:
        if role not in found.roles:
            _by_name(source, role, found)
    if "sequence" not in found.roles:
        _by_content(source, found)
    taken = set(found.roles.values())
    for name in source.names:
        if name in taken:
            continue
        numbers = numbers_of(source.head, name)
        if numbers is not None and numbers[1].any():
            found.channels.append(name)
        else:
            found.ignored.append(name)
    _refuse_without(source, found)
    return found


def _by_name(source: Source, role: str, found: Columns) -> None:
    known = WORDS[role].split()
    ranked = []
    for name in source.names:
        words = words_of(name)
        hits = [known.index(word) for word in words if word in known]
        if hits and name not in found.roles.values() and _fits(source, role, name):
            ranked.append((words[0] not in known, min(hits), len(words), source.names.index(name), name))
    if ranked:
        found.roles[role] = min(ranked)[-1]


def _fits(source: Source, role: str, name: str) -> bool:
    """Whether what a column holds can be of a role."""
    column = source.head.table[name]
    if role == "time" and arrow.types.is_timestamp(column.type):
        return True
    numbers = numbers_of(source.head, name)
    if role in ("node", "stream"):
        whole = numbers is None or bool((numbers[0] % 1 == 0).all())
        return whole and 0 < len(column.unique()) <= (MOST_NAMES if numbers is None else MOST_NUMBERS)
    if role == "time":
        if numbers is None:
            return True
        back = np.diff(numbers[0]) < 0
        return bool(numbers[1].all()) and 2 * int(back.sum()) <= len(back)
    if numbers is None:
        return False
    if role in ("battery", "rssi", "lqi"):
        return bool(numbers[1].any())
    values, there = numbers
    return bool(there.all()) and bool(((values % 1 == 0) & (values >= 0)).all())


def _by_content(source: Source, found: Columns) -> None:
    """Take the only column of whole numbers that goes on by one, node by node and stream by stream."""
    group = np.zeros(len(source.head.at), np.int64)
    for role in ("node", "stream"):
        if role in found.roles:
            texts = source.head.table[found.roles[role]].cast(arrow.string()).combine_chunks()
            index = texts.dictionary_encode().indices.fill_null(0).to_numpy()
            group = group * (int(index.max(initial=0)) + 1) + index
    order = np.argsort(group, kind="stable")
    counting = []
    for name in source.names:
        if name in found.roles.values() or not _fits(source, "sequence", name):
            continue
        numbers = numbers_of(source.head, name)
        assert numbers is not None
        steps = np.diff(numbers[0][order])[np.diff(group[order]) == 0]
        ones = float((steps == 1).mean()) if len(steps) else 0.0
        if ones + float((steps == 0).mean() if len(steps) else 0.0) > COUNTED_SHARE and ones > ONES_SHARE:
            counting.append(name)
    if len(counting) == 1:
        found.roles["sequence"] = counting[0]
        found.guessed.add("sequence")


def _refuse_without(source: Source, found: Columns) -> None:
    names = ", ".join(source.names[:12]) + (", ..." if len(source.names) > 12 else "")
    if "sequence" not in found.roles:
        raise SettingsError(
            f"no column is known that counts frames or samples (there are {names})",
            str(source.path),
            "a sequence number: without one nobody can tell what was lost from what was never sent",
            "Name it with --column sequence=NAME.",
        )
    if "time" not in found.roles:
        raise SettingsError(
            f"no column is known that tells the time (there are {names})",
            str(source.path),
            "seconds or milliseconds, since 1970 or since the start, or ISO 8601",
            "Name it with --column time=NAME.",
        )
    if not found.channels:
        raise SettingsError(
            f"no column holds samples (there are {names})", str(source.path), "a column of numbers besides"
        )
