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
    """Facts about one stage.

    ``reads`` and ``writes`` are tables of ``nodeday.schemas``; a ledger that is read is the session's.
    ``weight`` is the time of one job in times of `frames`, measured on a day of 15 h, and zero for a job that
    takes next to none. ``code`` names modules in place of the usual ``stages.<name>.stage``.
    """

    name: str
    scope: Scope
    reads: tuple[str, ...] = ()
    writes: tuple[str, ...] = ()
    weight: float = 0.0
    several_cores: bool = False
    code: tuple[str, ...] = ()

    @property
    def modules(self) -> tuple[str, ...]:
        """Modules that the stage runs, by their names from the package ``nodeday`` on."""
        return self.code or (f"stages.{self.name}.stage",)


SESSION, STUDY = Scope.SESSION, Scope.STUDY
LOSS_TABLES = ("gaps", "loss", "radio", "bursts", "signal", "fields", "battery", "sent")
CLOCK_TABLES = ("clock", "cut", "steps", "movements", "agreement")
FEATURE_TABLES = ("beats", "rhythm", "epochs", "signal_quality", "calibration", "bouts")
STUDY_TABLES = ("phases", "phase_features", "sessions", "participants", "exclusions", "flow")
PLACED = ("frames", "gaps", "clock", "cut")
GATHERED = ("frames", "gaps", "clock", "cut", "epochs", "ledger")
ON_A_PAGE = (
    *("frames", "hub_runs", "rejects", *LOSS_TABLES, *CLOCK_TABLES, "samples"),
    *("beats", "rhythm", "epochs", "signal_quality", "calibration", "ledger"),
    *("phases", "sessions", "exclusions"),
)
ON_THE_INDEX = ("loss", "radio", "epochs", "phases", "phase_features", "sessions", "exclusions", "flow")
EXPORT = tuple(f"products.export.{name}" for name in ("package", "methods", "manifest"))

STAGES = {
    stage.name: stage
    for stage in (
        Stage("simulate", SESSION, weight=5.0),
        Stage("frames", SESSION, (), ("frames", "hub_runs", "rejects", "ledger"), 1.0),
        Stage("clock", SESSION, ("frames", "hub_runs"), (*CLOCK_TABLES, "ledger"), 0.9),
        Stage("loss", SESSION, ("frames", "hub_runs", "cut"), (*LOSS_TABLES, "ledger"), 0.5),
        Stage("repair", SESSION, PLACED, ("samples", "aligned", "ledger"), 2.5, True),
        Stage("features", SESSION, ("samples", "cut"), (*FEATURE_TABLES, "ledger"), 2.4, True),
        Stage("study", STUDY, GATHERED, (*STUDY_TABLES, "ledger"), 0.2, True),
        Stage("report", SESSION, ON_A_PAGE, (), 0.3),
        Stage("index", STUDY, ON_THE_INDEX, (), 0.1, code=("stages.report.stage",)),
        Stage("dataset", STUDY, tuple(TABLES), (), 0.1, code=EXPORT),
    )
}
"""Every stage by name, in the order of the chain."""

CHAIN = tuple(name for name, stage in STAGES.items() if stage.scope is SESSION and stage.writes)
"""Stages that make the tables of a session, in order."""
SEVERAL_CORES = tuple(name for name, stage in STAGES.items() if stage.several_cores)
"""Stages that can work on streams, or on sessions, side by side."""
