"""Records of devices: results of a node at the bench, and the record that is in force for a session.

A record is one YAML file for each node and date, ``config/devices/<node>-<date>.yaml``. It is of one
device, the one with that address; another device under the same name needs its own bench.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field as Setting

from nodeday.config import writer
from nodeday.core import yaml_io
from nodeday.core.refusals import NAME, SNAKE
from nodeday.core.yaml_io import Strict

if TYPE_CHECKING:
    from nodeday.config.study import Study

Axes = tuple[float, float, float]
Gain = Annotated[float, Setting(gt=0)]
CheckOutcome = Literal["pass", "fail", "not_measured"]
BenchVerdict = Literal["pass", "fail", "incomplete"]
HEAD = "# Written by `nodeday bench`: figures, limits and coefficients of one node at one bench.\n"


def calibrated(
    acceleration_g: NDArray[np.float64], offset_g: ArrayLike, gain: ArrayLike
) -> NDArray[np.float64]:
    """Return (a - offset) / gain for each axis, (n, 3) in g -> (n, 3)."""
    return np.asarray((acceleration_g - np.asarray(offset_g)) / np.asarray(gain), np.float64)


@dataclass(frozen=True)
class Calibration:
    """Six-position coefficients of the axes x, y and z, from the record ``source``.

    ``temperature_c`` is the sensor's at the bench, where it was known.
    """

    offset_g: Axes
    gain: Axes
    measured: date
    source: str
    temperature_c: float | None = None

    def apply(self, acceleration_g: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return calibrated acceleration, (n, 3) in g -> (n, 3): (a - offset) / gain for each axis.

        >>> bench = Calibration((0.03, 0.0, 0.0), (1.0, 1.0, 0.5), date(2026, 7, 1), "bench")
        >>> bench.apply(np.array([[1.03, 0.0, 0.5]])).tolist()
        [[1.0, 0.0, 1.0]]
        """
        return calibrated(acceleration_g, self.offset_g, self.gain)


class Check(Strict):
    """One figure of a record against the limit of the plan.

    ``value`` is None where it was not measured, and ``note`` then gives the reason. Where ``limit`` is
    None the plan has none.
    """

    check: str = Setting(pattern=SNAKE)
    of: str = Setting(default="", description="step, axis or stream, where there are several")
    value: float | None
    uncertainty: float | None = Setting(default=None, ge=0, description="half width of the 95 % band")
    unit: str
    limit: float | None = None
    outcome: CheckOutcome
    note: str = ""


class Acceleration(Strict):
    """Six-position coefficients: value = (raw - offset_g) / gain for each axis.

    ``cross_axis`` is what a row's axis shows of 1 g on a column's axis, apart from the gains; it also
    holds the tilt of the positions and is not applied.
    """

    offset_g: Axes
    gain: tuple[Gain, Gain, Gain]
    cross_axis: tuple[Axes, Axes, Axes]
    temperature_c: float | None = None


class Record(Strict):
    """Result of a node at the bench, ``config/devices/<node>-<date>.yaml``."""

    node: str = Setting(pattern=NAME)
    address: int = Setting(ge=0)
    measured: date
    verdict: BenchVerdict
    checks: tuple[Check, ...]
    acceleration: Acceleration | None = None


def verdict_of(checks: tuple[Check, ...]) -> BenchVerdict:
    """Return the verdict of a node from its checks.

    It is ``fail`` where a limit is broken, else ``incomplete`` where a figure that has a limit could
    not be measured, else ``pass``.
    """
    outcomes = {check.outcome for check in checks if check.limit is not None or check.outcome == "fail"}
    return "fail" if "fail" in outcomes else "incomplete" if "not_measured" in outcomes else "pass"


def folder(root: Path) -> Path:
    """Return the folder of a study for the records of its devices."""
    return root / "config" / "devices"


def write(root: Path, record: Record) -> Path:
    """Write a record into the study at ``root``; a second bench on one day replaces the first."""
    data = record.model_dump(mode="json", exclude_none=True)
    for check in data["checks"]:
        check.setdefault("value", None)
    data["measured"] = record.measured
    path = folder(root) / f"{record.node}-{record.measured}.yaml"
    writer.write_yaml(path, HEAD + yaml_io.dump(data), Record, replace=True)
    return path


def files_of(study: Study, session: str) -> list[Path]:
    """Return the records of a session's nodes of any date, so that the workflow sees them change."""
    names = sorted({node.node for node in study.nodes_of(session).values()})
    return [path for name in names for path in sorted(folder(study.root).glob(f"{name}-*.yaml"))]


def records_of(study: Study, session: str, node: str) -> Iterator[tuple[Record, Path]]:
    """Yield the records of the device that is ``node`` in ``session``, latest first.

    Records of a later date than the session are left out. Raises SettingsError for a record that
    cannot be used, and ContractError where the session's date is not known: no start in
    ``sessions.tsv`` and no table ``clock``.
    """
    paths = [path for path in files_of(study, session) if path.stem.partition("-")[0] == node]
    if not paths:
        return
    address = next(at for at, row in study.nodes_of(session).items() if row.node == node)
    day = date_of(study, session)
    records = [(yaml_io.load(path, Record), path) for path in paths]
    for record, path in sorted(records, key=lambda pair: pair[0].measured, reverse=True):
        if (record.node, record.address) == (node, address) and record.measured <= day:
            yield record, path


def date_of(study: Study, session: str) -> date:
    """Return the local date on which a session begins: from the sheet, else from its table ``clock``."""
    start, _ = study.written_span(session)
    if start is None:
        from nodeday.storage import tables  # heavy, and the rules import this module

        clock = tables.read(tables.path(study.results, "clock", session), "clock", ["utc_ns"])
        start = int(clock["utc_ns"].min())
    return datetime.fromtimestamp(start // 1_000_000_000, UTC).astimezone(study.zone_of(session)).date()


def record_of(study: Study, session: str, node: str) -> Record | None:
    """Return the latest record of a session's node that is not after the session, or None."""
    return next((record for record, _ in records_of(study, session, node)), None)


def calibration_of(study: Study, session: str, node: str) -> Calibration | None:
    """Return a session's coefficients for a node, from the latest record that has any; None without one.

    Records after the session do not count. Raises what :func:`records_of` raises.
    """
    for record, path in records_of(study, session, node):
        if (found := record.acceleration) is not None:
            source = path.relative_to(study.root).as_posix()
            return Calibration(found.offset_g, found.gain, record.measured, source, found.temperature_c)
    return None
