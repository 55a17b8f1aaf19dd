"""Transmit lists: what nodes truly sent, where a lab has it, in ``config/sent/<session>.csv``.

A row is a frame (not an attempt to send it), in the order of sending. ``counter`` is its sequence number as
sent, ``node`` a name of ``nodes.tsv`` or an address, and ``stream`` may be left out for nodes that send one::

    node,counter,time
    n1,65534,2026-03-02T08:00:00Z
    n1,65535,2026-03-02T08:00:01.5Z
    n1,0,2026-03-02T08:00:03Z

``time`` is ISO 8601 with its offset from UTC; ``time_s``, ``time_ms``, ``time_us`` and ``time_ns`` are
numbers of that unit since 1970.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from nodeday.config.study import Study
from nodeday.core import privacy
from nodeday.core.arrays import Ints
from nodeday.core.errors import SettingsError, did_you_mean
from nodeday.layouts import Layout
from nodeday.schemas.columns import YEAR_1969, YEAR_2200

UNITS_NS = {"time_s": 1_000_000_000, "time_ms": 1_000_000, "time_us": 1_000, "time_ns": 1}
TIMES = ("time", *UNITS_NS)


@dataclass(frozen=True)
class SentRows:
    """Rows (n,) of a transmit list about one stream of a node, in the order of sending.

    ``line`` are lines of the file ``path``, ``counter`` sequence numbers as sent, which wrap at ``modulus``.
    The stream is empty where the list does not name it.
    """

    path: str
    node: str
    stream: str
    modulus: int
    line: Ints
    counter: Ints
    utc_ns: Ints

    @property
    def stretch(self) -> Ints:
        """Number (n,) of the stretch of each row: in one, every counter is one more than that before it."""
        step = np.diff(self.counter, prepend=self.counter[:1] - 1) % self.modulus
        return np.cumsum(step != 1 % self.modulus)


def path_of(root: Path, session: str) -> Path:
    """Return where the transmit list of a session lies, if it has one."""
    return root / "config" / "sent" / f"{session}.csv"


def load(study: Study, session: str) -> list[SentRows]:
    """Return the transmit list of a session, stream by stream; empty where it has none.

    Raises SettingsError that names the line of a row which cannot be: an unknown node or stream, a counter
    that its field cannot hold or that is there twice at one time, a time that falls or has no offset.
    """
    path = path_of(study.root, session)
    if not path.exists():
        return []
    table = _Cells(path)
    nodes = {row.node: row.node for row in study.nodes_of(session).values()}
    nodes |= {str(address): row.node for address, row in study.nodes_of(session).items()}
    node = table.looked_up("node", nodes)
    named = table.text("stream") if "stream" in table.names else np.full(table.rows, "", object)
    counter, utc_ns = table.numbers("counter"), table.instants()
    found = []
    for name, stream in sorted(set(zip(node.tolist(), named.tolist(), strict=True))):
        own = np.flatnonzero((node == name) & (named == stream))
        layout = study.layout_of(session, name)
        stream = _known_stream(table, layout, name, stream, int(own[0]))
        field = layout.field("sequence")
        rows = SentRows(
            str(path), name, stream, 1 << (field.bits if field else 62), own + 2, counter[own], utc_ns[own]
        )
        _refuse_impossible(rows)
        found.append(rows)
    return found


def _known_stream(table: _Cells, layout: Layout, node: str, stream: str, row: int) -> str:
    """Return the stream of rows, by its name or as the only one of the layout; empty where several may be."""
    streams = [kind.stream for kind in layout.kinds]
    if stream and stream not in streams:
        hint = did_you_mean(stream, streams)
        table.refuse(f"stream is {stream!r}, none of node {node}{hint}", row, f"one of {', '.join(streams)}")
    return streams[0] if len(streams) == 1 else stream


def _refuse_impossible(rows: SentRows) -> None:
    """Raise SettingsError for the first row of a stream whose counter or time cannot be."""
    of, modulus = f"of {rows.node}", rows.modulus
    # At two times it is a restart.
    twice = np.append(False, (np.diff(rows.counter) == 0) & (np.diff(rows.utc_ns) == 0))
    falls = np.append(False, np.diff(rows.utc_ns) < 0)
    for wrong, found, expected in (
        ((rows.counter < 0) | (rows.counter >= modulus), "counter {} " + of, f"0 to {modulus - 1}"),
        (twice, "counter {} " + of + " is there twice at one time", "a row for each frame, once"),
        (falls, "the time falls at counter {} " + of, "rows in the order of sending"),
    ):
        if wrong.any():
            at = int(wrong.argmax())
            where = f"{rows.path} line {rows.line[at]}"
            raise SettingsError(found.format(rows.counter[at]), where, expected)


class _Cells:
    """Cells of a CSV file as text, read column by column, with the line of one that is wrong."""

    def __init__(self, path: Path) -> None:
        import pyarrow as arrow  # half a second that a study without transmit lists need not pay
        import pyarrow.csv as csv

        self.path = path
        try:
            text = path.read_text(encoding="utf-8-sig")
            header = [name.strip('"') for name in text.split("\n", 1)[0].strip().split(",")]
            self._table = csv.read_csv(
                path,
                parse_options=csv.ParseOptions(ignore_empty_lines=False),
                convert_options=csv.ConvertOptions(column_types=dict.fromkeys(header, arrow.string())),
            )
        except (OSError, UnicodeDecodeError, arrow.ArrowInvalid) as error:
            raise SettingsError(
                f"cannot be read ({str(error).splitlines()[0].rstrip('.')})", str(path)
            ) from None
        self.names, self.rows = self._table.column_names, len(self._table)
        privacy.refuse(str(path), self.names, [], [])
        times = [name for name in self.names if name in TIMES]
        lacking = [name for name in ("node", "counter") if name not in self.names]
        foreign = [name for name in self.names if name not in ("node", "counter", "stream", *TIMES)]
        if lacking or foreign or len(times) != 1 or len(set(self.names)) < len(self.names):
            found, expected = (
                f"columns are {', '.join(self.names)}",
                f"node, counter, one of {', '.join(TIMES)}",
            )
            raise SettingsError(found, f"{path} line 1", f"{expected}, and stream where a node sends several")
        self.time = times[0]

    def refuse(self, found: str, row: int, expected: str) -> NoReturn:
        raise SettingsError(found, f"{self.path} line {row + 2}", expected)

    def text(self, name: str) -> NDArray[Any]:
        return np.asarray(self._table[name].fill_null("").to_numpy(), object)

    def looked_up(self, name: str, known: dict[str, str]) -> NDArray[Any]:
        """Return cells (n,) as what is ``known`` under them."""
        cells, place = np.unique(self.text(name).astype(str), return_inverse=True)
        for number, cell in enumerate(cells.tolist()):
            if cell not in known:
                expected = f"a node of the session: {', '.join(dict.fromkeys(known.values()))}"
                row = int((place == number).argmax())
                self.refuse(f"{name} is {cell!r}{did_you_mean(cell, known)}", row, expected)
        return np.array([known[cell] for cell in cells.tolist()] or [""], object)[place]

    def numbers(self, name: str) -> Ints:
        """Return whole numbers (n,)."""
        import pyarrow as arrow

        return self._cast(name, arrow.int64(), "a whole number")

    def instants(self) -> Ints:
        """Return times in ns UTC, (n,)."""
        import pyarrow as arrow

        if self.time == "time":
            what = "an instant with its offset from UTC, such as 2026-07-14T05:00:00Z"
            utc_ns = self._cast(self.time, arrow.timestamp("ns", "UTC"), what)
        else:
            utc_ns = self._since_1970(UNITS_NS[self.time])
        outside = (utc_ns < YEAR_1969) | (utc_ns > YEAR_2200)
        if outside.any():
            row = int(outside.argmax())
            self.refuse(f"{self.time} is {self.text(self.time)[row]!r}", row, "a time from 1969 to 2200")
        return utc_ns

    def _since_1970(self, unit_ns: int) -> Ints:
        """Return numbers of units, also with decimals, in ns; no float holds a time, only the decimals."""
        import pyarrow as arrow
        import pyarrow.compute as compute

        exact, most = self._column(self.time, arrow.decimal128(28, 9), "a number"), YEAR_2200 // unit_ns
        units = compute.floor(exact)
        far = compute.greater(compute.abs(units), arrow.scalar(most, arrow.int64())).to_numpy()
        if far.any():
            row = int(far.argmax())
            found = f"{self.time} is {self.text(self.time)[row]!r}, past the year 2200"
            self.refuse(found, row, f"a number in that unit; {', '.join(TIMES)} name others")
        part = compute.subtract(exact, units).cast(arrow.float64()).to_numpy()
        begun = np.asarray(units.cast(arrow.int64()).to_numpy(), np.int64) * unit_ns
        return np.asarray(begun + np.rint(part * unit_ns).astype(np.int64), np.int64)

    def _cast(self, name: str, kind: Any, what: str) -> Ints:
        """Return a column as whole numbers (n,)."""
        import pyarrow as arrow

        return np.asarray(self._column(name, kind, what).cast(arrow.int64()).to_numpy(), np.int64)

    def _column(self, name: str, kind: Any, what: str) -> Any:
        """Return a column in the Arrow type ``kind``; raise SettingsError for the first cell that is none."""
        import pyarrow as arrow

        column = self._table[name]
        try:
            out = column.cast(kind)
        except (arrow.ArrowInvalid, arrow.ArrowNotImplementedError):
            row = next(at for at in range(self.rows) if not _is(column.slice(at, 1), kind))
            self.refuse(f"{name} is {self.text(name)[row]!r}", row, what)
        return out


def _is(cell: Any, kind: Any) -> bool:
    import pyarrow as arrow

    try:
        return not cell.cast(kind).null_count
    except (arrow.ArrowInvalid, arrow.ArrowNotImplementedError):
        return False
