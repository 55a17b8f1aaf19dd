"""The list of stages: scope, tables in and out, code, use of cores and weight.

Rules, digests, progress, status and the command line all take these facts from here. The list names
modules and imports none of them: the command line resolves them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from nodeday.schemas import TABLES


class Scope(Enum):
    """What one job of a stage works on."""

    SESSION = "session"
    STUDY = "study"


@dataclass(frozen=True)
class Stage:
    """Facts about one stage. ``modules`` are those that it runs, from the package ``nodeday`` on.

    ``reads`` and ``writes`` are tables of ``nodeday.schemas``. ``weight`` is the time of a job in times of
    `frames`, measured on a day of 15 h; zero for a stage that takes next to none.
    """

    name: str
    scope: Scope
    modules: tuple[str, ...]
    reads: tuple[str, ...] = ()
    writes: tuple[str, ...] = ()
    several_cores: bool = False
    weight: float = 0.0


FRAMES = ("frames", "rejects", "ledger")
LOSS = ("gaps", "loss", "radio", "bursts", "signal", "battery", "ledger")
CLOCK = ("clock", "steps", "movements", "agreement", "ledger")
REPAIR = ("samples", "aligned", "ledger")
FEATURES = ("beats", "epochs", "signal_quality", "calibration", "bouts", "ledger")
STUDY = ("phases", "phase_features", "sessions", "participants", "exclusions", "flow", "ledger")
_PAGE = (
    *("frames", "rejects", "gaps", "loss", "radio", "bursts", "signal", "battery"),
    *("clock", "steps", "movements", "agreement", "samples"),
    *("beats", "epochs", "signal_quality", "calibration"),
    *("phases", "sessions", "exclusions", "ledger"),
)
_EXPORT = tuple(f"products.export.{name}" for name in ("package", "methods", "manifest", "hashes"))

STAGES = {
    stage.name: stage
    for stage in (
        Stage("simulate", Scope.SESSION, ("stages.simulate.stage",), weight=5.0),
        Stage("frames", Scope.SESSION, ("stages.frames.stage",), (), FRAMES, weight=1.0),
        Stage("loss", Scope.SESSION, ("stages.loss.stage",), ("frames",), LOSS, weight=0.5),
        Stage("clock", Scope.SESSION, ("stages.clock.stage",), ("frames",), CLOCK, weight=0.9),
        Stage(
            "repair",
            Scope.SESSION,
            ("stages.repair.stage",),
            ("frames", "gaps", "clock"),
            REPAIR,
            several_cores=True,
            weight=2.5,
        ),
        Stage(
            "features",
            Scope.SESSION,
            ("stages.features.stage",),
            ("samples",),
            FEATURES,
            several_cores=True,
            weight=2.4,
        ),
        Stage("hashes", Scope.SESSION, ("products.export.hashes",), ("epochs",)),
        Stage(
            "study",
            Scope.STUDY,
            ("stages.study.stage",),
            ("frames", "gaps", "clock", "epochs", "ledger"),
            STUDY,
            several_cores=True,
            weight=0.2,
        ),
        Stage("report", Scope.SESSION, ("stages.report.stage",), _PAGE, weight=0.3),
        Stage("index", Scope.STUDY, ("stages.report.stage",), STUDY, weight=0.1),
        Stage("dataset", Scope.STUDY, _EXPORT, tuple(TABLES), weight=0.1),
    )
}
"""Every stage by name, in the order of the chain."""

CHAIN = tuple(name for name, stage in STAGES.items() if stage.scope is Scope.SESSION and stage.writes)
"""Stages that make the tables of a session, in order."""
SEVERAL_CORES = tuple(name for name, stage in STAGES.items() if stage.several_cores)
"""Stages that can work on streams, or on sessions, side by side."""
