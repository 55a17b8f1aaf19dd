"""Capture files as one stream of bytes: raw, compressed, packets, or compressed packets.

The first bytes of a file tell its format, never its name: gzip (RFC 1952, several members), zstd
(RFC 8878, several frames), pcap and pcapng, else raw. A file that cannot be read to its end gives
the bytes up to there and one sentence about the rest. Memory is bounded by the size of a piece.
"""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

import pyarrow as arrow

from nodeday.core import atomic
from nodeday.core.errors import ContractError
from nodeday.stages.frames.packets import PACKET_MAGIC, Packets

PIECE = 4 << 20
"""Bytes passed on at a time."""
MAX_RATIO, RATIO_FROM = 200, 64 << 20
"""An archive that grows more than 200 times, past its first 64 MiB, is refused: frames, which carry
counters and checksums, shrink less than 30 times. A choice of this project."""
MAX_UNPACKED = 64 << 30
"""An archive that holds more than 64 GiB is refused: a day of frames is below 1 GiB."""
_STEP = 1 << 14
"""Bytes that an archive's reader gets at a time."""


@dataclass
class FileFacts:
    """Size and hash of one file, and a balance of its bytes.

    ``size`` = ``read`` + ``unread``. Of the ``unpacked`` bytes (of a raw file: the read ones) each is
    ``taken`` for the capture, ``container`` (headers of packets), ``skipped`` (packets that carry nothing
    for the capture) or ``lost`` (behind a failure).
    """

    file: str
    size: int = 0
    sha256: str = ""
    packed: str = ""
    packets: str = ""
    read: int = 0
    unpacked: int = 0
    taken: int = 0
    container: int = 0
    skipped: int = 0
    lost: int = 0
    troubles: list[str] = field(default_factory=list)

    @property
    def unread(self) -> int:
        """Bytes behind a failure."""
        return self.size - self.read

    def written(self) -> dict[str, str | int | list[str]]:
        """Return the entry in the record of captures; for a good raw file that is name, size and hash."""
        out: dict[str, str | int | list[str]] = {
            "file": self.file,
            "bytes": self.size,
            "sha256": self.sha256,
        }
        if self.packed:
            out |= {"packed": self.packed, "unpacked": self.unpacked}
        if self.packets:
            out |= {"packets": self.packets, "taken": self.taken, "skipped": self.skipped}
        return out | ({"troubles": self.troubles} if self.troubles else {})


def sniff(head: bytes) -> str:
    """Return ``gzip``, ``zstd``, ``pcap``, ``pcapng`` or ``raw`` from a file's first 12 bytes."""
    # Of gzip's flags the three highest are reserved and zero (RFC 1952, 2.3.1).
    if head[:3] == b"\x1f\x8b\x08" and len(head) > 3 and not head[3] & 0xE0:
        return "gzip"
    # A skippable frame (RFC 8878, 3.1.2) may come first.
    if head[:4] == b"\x28\xb5\x2f\xfd" or (head[1:4] == b"\x2a\x4d\x18" and head[0] >> 4 == 5):
        return "zstd"
    return PACKET_MAGIC.get(head[:4], "raw")


class Unpacker:
    """Reader of the files of one capture as one stream; afterwards ``facts`` describes the files."""

    def __init__(self, paths: list[Path]) -> None:
        self.paths = paths
        self.facts: list[FileFacts] = []

    @property
    def size(self) -> int:
        """Bytes of the stream so far."""
        return sum(file.taken for file in self.facts)

    def pieces(self) -> Iterator[bytes]:
        """Yield the stream.

        Raises ContractError for an archive past the limits of its growth, and for a file that changes
        while it is read.
        """
        for path in self.paths:
            before = path.stat()
            facts = FileFacts(path.name, before.st_size)
            self.facts.append(facts)
            with path.open("rb") as file:
                source = _Source(file)
                yield from _taken(_unpacked(path, source, facts), facts)
                facts.read = facts.read or source.given
                facts.sha256 = source.hash_of_all()
            refuse_moving(path, before, source.given)


def refuse_moving(path: Path, before: os.stat_result, given: int) -> None:
    """Raise ContractError for a file that changed since ``before``, or whose ``given`` bytes are not all.

    A logger still writes such a file, or a network share failed.
    """
    after = path.stat()
    if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
        found = f"changed while it was read, from {before.st_size} to {after.st_size} bytes"
    elif given != before.st_size:
        found = f"gave {given} of its {before.st_size} bytes"
    else:
        return
    raise ContractError(
        found,
        str(path),
        "a capture that is finished and can be read to its end",
        "Run again once nothing writes it any more.",
    )


class _Source(io.RawIOBase):
    """File that counts and hashes the bytes it gives, in short steps.

    The bytes that an archive's reader holds when it fails are lost, so it never gets many. Past
    ``slow_from`` a step is one byte.
    """

    def __init__(self, file: BinaryIO, slow_from: int | None = None) -> None:
        self.file, self.slow_from = file, slow_from
        self.given, self._hash = 0, hashlib.sha256()

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        slow = self.slow_from is not None and self.given >= self.slow_from
        step = 1 if slow else _STEP
        return self.read_up_to(min(size, step) if size >= 0 else step)

    def read_up_to(self, size: int) -> bytes:
        """Read ``size`` bytes, fewer at the end."""
        with atomic.naming(Path(self.file.name)):
            data = self.file.read(size)
        self.given += len(data)
        self._hash.update(data)
        return data

    def head(self) -> bytes:
        """Return the next 12 bytes without moving on."""
        head = self.file.read(12)
        self.file.seek(-len(head), 1)
        return head

    def hash_of_all(self) -> str:
        """Read on to the end and return the hash of all bytes."""
        while self.read_up_to(PIECE):
            pass
        return self._hash.hexdigest()


def _unpacked(path: Path, source: _Source, facts: FileFacts) -> Iterator[bytes]:
    """Yield the bytes of a file, unpacked if it is an archive."""
    codec = sniff(source.head())
    if codec not in ("gzip", "zstd"):
        while piece := source.read_up_to(PIECE):
            facts.unpacked += len(piece)
            yield piece
        return
    facts.packed = codec
    try:
        with _reader(source, codec) as stream:
            while piece := stream.read(PIECE):
                facts.unpacked += len(piece)
                _refuse_bomb(path, facts, source.given)
                yield piece
    except (OSError, arrow.ArrowException) as error:
        tail = _tail(path, codec, facts.unpacked, source.given)
        facts.read, facts.unpacked = source.given, facts.unpacked + len(tail)
        facts.troubles.append(
            f"{codec} archive is {_why(error)} within its first {facts.read} of {facts.size} bytes; "
            f"{facts.unpacked} bytes could be unpacked"
        )
        yield tail


def _reader(source: _Source, codec: str) -> arrow.CompressedInputStream:
    return arrow.CompressedInputStream(arrow.PythonFile(source, mode="r"), codec)


def _why(error: Exception) -> str:
    """Return in words why an archive cannot be read."""
    text = str(error).rstrip(".")
    return "cut off" if "Truncated" in text else f"damaged ({text})"


def _tail(path: Path, codec: str, done: int, failed_at: int) -> bytes:
    """Return the bytes that can be unpacked past ``done`` bytes of an archive that fails there.

    They are less than a piece. The archive is read again, at last byte by byte, since the reader gives
    nothing of a read that fails.
    """
    out = bytearray()
    with path.open("rb") as file:
        source = _Source(file, failed_at - 2 * _STEP)
        try:
            with _reader(source, codec) as stream:
                while done:
                    done -= len(stream.read(min(done, PIECE)))
                while byte := stream.read(1):
                    out += byte
        except (OSError, arrow.ArrowException):
            pass  # the same failure again
    return bytes(out)


def _refuse_bomb(path: Path, facts: FileFacts, packed: int) -> None:
    """Raise ContractError for an archive that grows past the limits."""
    if facts.unpacked > MAX_UNPACKED:
        found = f"unpacks to more than {MAX_UNPACKED >> 30} GiB"
    elif facts.unpacked > max(RATIO_FROM, MAX_RATIO * packed):
        found = f"unpacks to more than {MAX_RATIO} times its size"
    else:
        return
    raise ContractError(
        found, str(path), "frames, which do not shrink so far", "Unpack it by hand if it is a capture."
    )


def _taken(pieces: Iterator[bytes], facts: FileFacts) -> Iterator[bytes]:
    """Yield the capture's share of the unpacked bytes: all of them, or those that packets carry."""
    first = next(pieces, b"")
    kind = PACKET_MAGIC.get(first[:4])
    if kind is None:
        while first:
            facts.taken += len(first)
            yield first
            first = next(pieces, b"")
        return
    facts.packets = kind
    packets = Packets(first, pieces, kind)
    for piece in packets.pieces(PIECE):
        facts.taken += len(piece)
        yield piece
    facts.skipped = packets.skipped
    facts.container = packets.container
    facts.lost = facts.unpacked - facts.taken - facts.skipped - facts.container
    facts.troubles += packets.troubles
