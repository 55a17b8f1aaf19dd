"""Truth about a simulated session, against which the other stages are tested."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nodeday.core import atomic
from nodeday.core.arrays import Ints
from nodeday.core.errors import ContractError

NOT_LOST = -1


@dataclass(frozen=True)
class StreamTruth:
    """Frames that a node made of one stream, received or not, in the order of making, (n,) each.

    ``seq`` and ``ticks`` count from the boot's start without wrapping. A second device with the node's
    address stands behind the node, as further boots, and begins where the plan says; ``utc_ns`` is the true
    instant of the tick stamp, ``hub_ns`` the hub's clock when the frame was sent; ``received``
    says that the capture holds a whole, undamaged copy; ``cause`` is a number of
    :class:`~nodeday.schemas.numbers.GapCause`, -1 for a received frame.
    """

    boot: NDArray[np.int32]
    seq: Ints
    ticks: Ints
    utc_ns: Ints
    received: NDArray[np.bool_]
    cause: NDArray[np.int8]
    hub_ns: Ints

    def lost_runs(self) -> list[tuple[int, int, int]]:
        """Return the losses that counters show, as (boot, first lost, one past the last lost).

        These are runs of lost frames between two received frames of a boot.
        """
        runs = []
        for boot in np.unique(self.boot).tolist():
            seq = self.seq[(self.boot == boot) & self.received]
            wide = np.flatnonzero(np.diff(seq) > 1)
            runs += [(boot, int(seq[at]) + 1, int(seq[at + 1])) for at in wide]
        return runs


@dataclass(frozen=True)
class Truth:
    """Truth about a session; ``streams`` by "node/stream", the marks of the hub included.

    ``duplicates`` counts second complete copies of a stream's frames, ``late`` first ones
    that arrive after a later frame of the stream, ``damaged`` copies whose checksum fails.
    ``capture_bytes`` = bytes of complete copies + ``damaged_bytes`` + ``junk_bytes`` +
    ``truncated_bytes``. ``skew_ppm`` is the mean over the session, the hub's included.
    """

    streams: dict[str, StreamTruth]
    beat_utc_ns: Ints
    tap_utc_ns: Ints
    restart_utc_ns: Ints
    restart_node: NDArray[np.str_]
    death_utc_ns: Ints
    death_node: NDArray[np.str_]
    outage_utc_ns: Ints
    skew_ppm: dict[str, float]
    duplicates: dict[str, int]
    late: dict[str, int]
    damaged: dict[str, int]
    start_utc_ns: int
    capture_bytes: int
    good_bytes: int
    damaged_bytes: int
    junk_bytes: int
    truncated_bytes: int

    def save(self, path: Path) -> None:
        """Write an ``.npz`` without pickled objects; it takes its name only when it is complete."""
        arrays: dict[str, Any] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name == "streams":
                for key, stream in value.items():
                    arrays |= {f"streams/{key}/{f.name}": getattr(stream, f.name) for f in fields(stream)}
            elif isinstance(value, dict):
                arrays |= {f"{field.name}/{key}": np.array(one) for key, one in value.items()}
            else:
                arrays[field.name] = np.asarray(value)
        with atomic.replacing(path) as partial, partial.open("wb") as file:
            np.savez(file, **arrays)

    @classmethod
    def load(cls, path: Path) -> Truth:
        """Read a file that :meth:`save` wrote; raise ContractError for anything else."""
        try:
            with np.load(path, allow_pickle=False) as file:
                arrays = {name: file[name] for name in file.files}
            return cls(**{f.name: _value(f.name, str(f.type), arrays) for f in fields(cls)})
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise ContractError(f"is no truth file ({error})", str(path)) from None


def _value(name: str, kind: str, arrays: dict[str, NDArray[Any]]) -> Any:
    parts = {key.split("/", 1)[1]: value for key, value in arrays.items() if key.startswith(f"{name}/")}
    if name == "streams":
        names = dict.fromkeys(key.rsplit("/", 1)[0] for key in parts)
        return {
            key: StreamTruth(**{f.name: parts[f"{key}/{f.name}"] for f in fields(StreamTruth)})
            for key in names
        }
    if kind.startswith("dict"):
        return {key: value.item() for key, value in parts.items()}
    return arrays[name].item() if kind == "int" else arrays[name]
