"""One capture: its files, what is decoded from them, the counts of it all, and whether it is one at all."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as arrow
import pyarrow.compute as compute

from nodeday.config.models import Node
from nodeday.config.study import HUB, Study
from nodeday.core.errors import ContractError
from nodeday.layouts import Layout
from nodeday.layouts.recording import RecordedLayout
from nodeday.schemas import TABLES
from nodeday.stages.frames import merge
from nodeday.stages.frames.columns import STATUS
from nodeday.stages.frames.containers import FileFacts, Unpacker
from nodeday.stages.frames.decode import RADIO, Decoded, Decoder
from nodeday.stages.frames.memory import OwnTime
from nodeday.stages.frames.reading import reading_of
from nodeday.stages.frames.recorded import DecodedRecording, form_of
from nodeday.stages.frames.scan import ScannedBlock, scan
from nodeday.stages.frames.validate import Spoken
from nodeday.storage.ledger import Ledger

MIN_SHARE = 0.01
"""A capture less than this share of whose bytes are frames was not written in this layout."""


class Capture:
    """One capture: its files, what is decoded from them, and the counts of it all."""

    def __init__(
        self,
        number: int,
        paths: list[Path],
        layouts: list[Layout],
        nodes: dict[int, Node],
        speaks: dict[int, Layout],
        root: Path,
    ) -> None:
        self.number, self.paths, self.layouts, self.root = number, paths, layouts, root
        self.speaks = speaks
        self.names = {address: node.node for address, node in nodes.items()}
        self.spoken = []
        for each in layouts:
            addresses = sorted(address for address, one in speaks.items() if one.layout == each.layout)
            self.spoken.append(Spoken(each, np.array(addresses, np.int64)))
        self.own_time = OwnTime()
        self.bytes: Counter[str] = Counter()
        self.rows: Counter[str] = Counter()
        self.found = self.set_aside = 0

    def paces(self) -> dict[tuple[int, int], merge.FramePeriod]:
        """Return the pace of each node and stream, by positions in the categories of table ``frames``."""
        nodes = sorted(set(self.names.values()))
        streams = sorted({kind.stream for layout in self.layouts for kind in layout.kinds})
        out = {}
        for address, layout in self.speaks.items():
            sequence = layout.field("sequence")
            assert sequence is not None  # a layout without it is refused when it is read
            for kind in layout.kinds:
                key, rate_hz = (
                    (nodes.index(self.names[address]), streams.index(kind.stream)),
                    layout.tick_hz(kind.stream),
                )
                out[key] = merge.FramePeriod(1 << sequence.bits, kind.period_s * rate_hz, rate_hz)
        return out

    def tick_rates(self) -> dict[str, tuple[float, int]]:
        """Return ticks a second and the range of the raw ticks of each node."""
        last = {
            self.names[address]: (layout, layout.kinds[-1].stream) for address, layout in self.speaks.items()
        }
        return {
            node: (layout.tick_hz(stream), layout.tick_range(stream))
            for node, (layout, stream) in last.items()
        }

    @property
    def hub_range_ns(self) -> int:
        stamp = self.layouts[0].field("hub_time")
        return min((1 << stamp.bits) * (stamp.unit_ns or 1), 1 << 62) if stamp else 1 << 62

    def decoded(self, row: int = 0) -> Iterator[Decoded]:
        """Decode the capture block by block and count its rejects; ``row`` is that of its first frame."""
        self.source = self._opened()
        decoder = Decoder(self.layouts, self.names, self.number, row)
        own_time, self.bytes, self.set_aside = OwnTime(), Counter(), 0
        for block in self._blocks():
            done = decoder.decode(own_time.stamped(block))
            for each in done.rejects:
                self.bytes[each.reason] += each.end - each.start
            self.set_aside += len(done.rejects) - len(block.rejects)
            yield done
        self.found, self.own_time = decoder.found, own_time
        self.measured, self.impossible = decoder.measured, decoder.impossible

    def _opened(self) -> Unpacker | DecodedRecording:
        reading = reading_of(self.root, self.layouts[0])
        if form_of(self.paths[0], reading):
            return DecodedRecording(self.paths, reading, self.layouts, self.names)
        if isinstance(self.layouts[0], RecordedLayout):
            raise ContractError(
                f"is neither Parquet nor a text whose first line names a column {reading.sequence}",
                str(self.paths[0]),
                f"a recording as {reading.where} describes it",
                "A capture of bytes needs a layout: `nodeday init --skeleton NAME` writes one to fill in.",
            )
        return Unpacker(self.paths)

    def _blocks(self) -> Iterator[ScannedBlock]:
        if isinstance(self.source, DecodedRecording):
            return self.source.blocks()
        return scan(self.source.pieces(), self.spoken)

    def counted(self, rows: arrow.Table) -> arrow.Table:
        """Count ``rows`` by status, and return them as they are."""
        states = rows["status"].combine_chunks().indices.to_numpy()
        for total, weights in ((self.rows, None), (self.bytes, rows["length"].to_numpy())):
            counts = np.bincount(states, weights, len(STATUS)).astype(np.int64).tolist()
            total.update({status: count for status, count in zip(STATUS, counts, strict=True) if count})
        return rows

    @property
    def facts(self) -> list[FileFacts]:
        return self.source.facts

    def refuse_strange(self, session: str) -> None:
        """Raise ContractError where hardly a byte is a frame of the layouts."""
        size = self.source.size
        if isinstance(self.source, DecodedRecording) and not self.source.rows:
            where = f"session {session}, {', '.join(str(path) for path in self.paths)}"
            raise ContractError("holds no row below the names of its columns", where, "recorded rows")
        rejected = sum(self.bytes[reason] for reason in TABLES["rejects"]["reason"].codes or ())
        for each in self.facts:
            for trouble in each.troubles:
                print(f"session {session}, {each.file}: {trouble}.", file=sys.stderr)
        if size - rejected < max(MIN_SHARE * size, 1):
            names = ", ".join(each.layout for each in self.layouts)
            troubles = "".join(f"; {each.file}: {one}" for each in self.facts for one in each.troubles)
            raise ContractError(
                f"only {size - rejected} of {size} bytes are frames of layout {names}{troubles}",
                f"session {session}, {', '.join(str(path) for path in self.paths)}",
                remedy="Check the layout in config/sessions.tsv and the addresses in config/nodes.tsv.",
            )
        self._refuse_impossible(session)
        sensors = {name for name in self.names.values() if name != HUB}
        if self.number == 0 and self.own_time.lacking and len(sensors) > 1:
            raise ContractError(
                "the first capture has no hub stamps, and nothing else ties the clocks of several nodes "
                "together",
                f"session {session}",
                "a hub's capture before the | and readouts of memories behind it",
            )

    def _refuse_impossible(self, session: str) -> None:
        """Raise ContractError where most values of a radio's measure cannot be: its scale is wrong."""
        for (layout, role), count in self.impossible.items():
            if 2 * count > self.measured[layout, role]:
                column = TABLES["frames"][RADIO[role]]
                remedy = f"Give its {role} field a scale, an offset or a sign, or the role other."
                if isinstance(self.layouts[0], RecordedLayout):
                    remedy = f"Give {role} a scale or an offset in config/recorded/{layout}.yaml."
                raise ContractError(
                    f"{count} of {self.measured[layout, role]} values of {role} are outside "
                    f"{column.ge:g} to {column.le:g} {column.unit}",
                    f"session {session}, layout {layout}",
                    remedy=remedy,
                )

    def account(self, ledger: Ledger, scope: str) -> None:
        """Add the capture's checkpoints to the ledger."""
        for number, each in enumerate(self.facts):
            file = f"{scope} {number} {each.file}"
            kept = {each.packed or "read": each.read, "unread": each.unread}
            ledger.add("file bytes", file, each.size, **{name: n for name, n in kept.items() if n})
            if each.packed or each.packets:
                parts = {
                    "taken": each.taken,
                    "container": each.container,
                    "skipped": each.skipped,
                    "lost": each.lost,
                }
                ledger.add("unpacked bytes", file, each.unpacked, **{n: k for n, k in parts.items() if k})
        if isinstance(self.source, DecodedRecording):
            ledger.add("rows", scope, self.source.rows, **{"in frames": self.source.in_frames})
        ledger.add("bytes", scope, self.source.size, **{name: n for name, n in self.bytes.items() if n})
        aside = {"implausible": self.set_aside} if self.set_aside else {}
        ledger.add("frames", scope, self.found, **self.rows, **aside)


def captures_of(study: Study, session: str) -> list[Capture]:
    """Return the captures of a session in order; raise SettingsError for an absent or empty file."""
    layouts, nodes = study.layouts_of(session), study.nodes_of(session)
    speaks = {address: study.layout_of(session, node.node) for address, node in nodes.items()}
    return [
        Capture(number, paths, list(layouts.values()), nodes, speaks, study.root)
        for number, paths in enumerate(study.captures_of(session))
    ]


def refuse_without_frames(study: Study, session: str) -> None:
    """Raise ContractError where the session's captures hold too few frames to be decoded.

    Reads no further than to as many frames as the stage asks for.
    """
    for capture in captures_of(study, session):
        size, framed = sum(path.stat().st_size for path in capture.paths), 0
        for decoded in capture.decoded():
            framed += compute.sum(decoded.frames["length"]).as_py() or 0
            if framed >= max(MIN_SHARE * size, 1):
                break
        else:
            capture.refuse_strange(session)
