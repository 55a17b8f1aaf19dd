"""Models of the settings files of a study: ``study.yaml`` and the rows of the four sheets."""

from __future__ import annotations

import re
from os.path import normpath
from typing import Literal, Self

from pydantic import BaseModel, field_validator, model_validator
from pydantic import Field as Setting

from nodeday.config.values import Code, Instant, NodeName, Rate, known_zone
from nodeday.core.errors import did_you_mean
from nodeday.core.refusals import CODE, CODE_OR_ALL, CODES, NAME
from nodeday.core.yaml_io import Strict, error_at
from nodeday.schemas.features import FEATURE


class EpochSettings(Strict):
    """Feature windows."""

    seconds: int = Setting(default=30, ge=1, le=3600)
    min_coverage: float = Setting(default=0.8, ge=0, le=1)


class HeartSettings(Strict):
    """Windows and limits of heart-rate variability.

    A value of an epoch is from the window around the epoch's middle, or from the epoch where that is
    longer.
    """

    short_seconds: float = Setting(default=30.0, ge=10, le=3600)
    long_seconds: float = Setting(default=300.0, ge=30, le=86_400)
    respiration_seconds: float = Setting(default=60.0, ge=30, le=600)
    min_rmssd_seconds: float = Setting(default=20.0, ge=0)
    min_sdnn_seconds: float = Setting(default=120.0, ge=0)
    min_hf_seconds: float = Setting(default=60.0, ge=30)
    min_lf_seconds: float = Setting(default=120.0, ge=30)
    min_vlf_seconds: float = Setting(default=270.0, ge=30)
    max_lost: float = Setting(default=0.3, ge=0, le=1)
    max_lost_spectrum: float = Setting(default=0.15, ge=0, le=1)
    min_usable: float = Setting(default=0.5, ge=0, le=1)
    error_bars: bool = True


class GridSettings(Strict):
    """Rates of the session's common grid; each of ``more_hz`` makes a further grid with its own table."""

    rate_hz: Rate = 50.0
    more_hz: tuple[Rate, ...] = ()

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        if len(self.tables) < 1 + len(self.more_hz):
            raise error_at("a rate is there twice", "more_hz")
        return self

    @property
    def tables(self) -> dict[str, float]:
        """Rate of each grid by the name of its table."""
        return {"aligned": self.rate_hz} | {
            f"aligned_{rate:g}hz": rate for rate in self.more_hz if rate != self.rate_hz
        }


LONGEST_PATTERN_MS = 250.0


class Fill(Strict):
    """What may be filled in a stream: gaps no longer than ``max_ms``, by ``method``.

    A gap is filled only where of twice ``context_ms`` on each side at least ``context_ms`` was
    received. ``pattern`` is for an ECG only; a fill by it that is right with less than ``min_probability``
    is refused, and its gap stays missing.
    """

    method: Literal["none", "linear", "cubic", "pattern"] = "none"
    max_ms: float = Setting(default=0.0, ge=0, le=60_000)
    context_ms: float = Setting(default=0.0, ge=0, le=60_000)
    min_probability: float = Setting(default=0.0, ge=0, le=1)

    @model_validator(mode="after")
    def _within_reach(self) -> Self:
        if self.method == "pattern" and self.max_ms > LONGEST_PATTERN_MS:
            raise error_at(f"a pattern fills at most {LONGEST_PATTERN_MS:.0f} ms", "max_ms")
        if self.method != "pattern" and self.min_probability > 0:
            raise error_at("only the method pattern states a probability", "min_probability")
        return self


Axis = Literal["x", "y", "z", "-x", "-y", "-z"]


class Mounting(Strict):
    """Orientation of the nodes at a placement while the wearer stands upright.

    ``up`` is the axis that points up, ``front``, for a trunk, the one that points to the front; the
    axes are right-handed.
    """

    up: Axis
    front: Axis | None = None

    @model_validator(mode="after")
    def _apart(self) -> Mounting:
        if self.front is not None and self.front[-1] == self.up[-1]:
            raise ValueError(f"up is {self.up} and front is {self.front}, which is one axis twice")
        return self


class MotionSettings(Strict):
    """Settings of motion features: ``mounting`` by placement, as in nodes.tsv."""

    mounting: dict[str, Mounting] = Setting(default_factory=dict)


class StudyLimits(Strict):
    """Limits for a session and its nodes; what does not reach them is listed, never deleted.

    ``max_loss`` (share of expected frames) and the limits after it are for `nodeday audit`, stream by
    stream; a limit that is not stated is not checked.
    """

    min_hours: float = Setting(default=0.5, ge=0)
    min_coverage: float = Setting(default=0.8, ge=0, le=1)
    max_clock_uncertainty_ms: float = Setting(default=20.0, gt=0)
    max_loss: float | None = Setting(default=None, ge=0, le=1)
    max_gap_s: float | None = Setting(default=None, ge=0)
    max_unknown_gaps: int | None = Setting(default=None, ge=0)
    max_conflicts: int | None = Setting(default=None, ge=0)


class BatterySettings(Strict):
    """Batteries of the nodes: ``empty_v`` is the voltage at which they stop.

    3.0 V is usual for lithium cells (common practice, no source).
    """

    empty_v: float = Setting(default=3.0, gt=0, le=100)


class Movements(Strict):
    """Movements that several accelerometers share, which check their clocks.

    ``phases`` are names of phases, up to a hyphen, that note such a movement. ``correct`` moves clocks
    that disagree.
    """

    phases: tuple[str, ...] = ("taps", "jump")
    correct: bool = False

    def noted_by(self, phase: str) -> bool:
        """Return whether a phase of that name notes a movement."""
        return phase.split("-")[0] in self.phases


class Rule(Strict):
    """A rule of inclusion, for one ``node`` and ``feature`` or, where not stated, for all.

    ``threshold`` is inclusive; it is in hours, shares or milliseconds, as the rule needs.
    """

    rule: Literal[
        "min_hours", "min_coverage", "min_valid_epochs", "max_clock_uncertainty", "calibrated", "bench_passed"
    ]
    threshold: float = Setting(default=1.0, ge=0)
    node: str | None = Setting(default=None, pattern=NAME)
    feature: str | None = None

    @model_validator(mode="after")
    def _what_the_rule_needs(self) -> Self:
        stated = "threshold" in self.model_fields_set
        if stated == (self.rule in ("calibrated", "bench_passed")):
            raise ValueError(f"{self.rule} {'takes no' if stated else 'needs a'} threshold")
        if self.rule in ("min_coverage", "min_valid_epochs") and self.threshold > 1:
            raise ValueError(f"{self.rule} is a share from 0 to 1, and the threshold is {self.threshold:g}")
        if self.rule == "min_hours" and self.node:
            raise ValueError("min_hours is for whole sessions and takes no node")
        if self.feature and self.rule != "min_valid_epochs":
            raise ValueError(f"{self.rule} takes no feature; min_valid_epochs does")
        if self.feature and self.feature not in FEATURE:
            raise ValueError(f"no feature {self.feature}{did_you_mean(self.feature, FEATURE)}")
        return self


class StudyFile(Strict):
    """``config/study.yaml``; where it states no ``rules``, the first three limits are the rules."""

    study: Code
    title: str = ""
    zone: str = "UTC"
    epochs: EpochSettings = EpochSettings()
    heart: HeartSettings = HeartSettings()
    grid: GridSettings = GridSettings()
    fill: dict[str, Fill] = Setting(default_factory=dict)
    battery: BatterySettings = BatterySettings()
    motion: MotionSettings = MotionSettings()
    limits: StudyLimits = StudyLimits()
    movements: Movements = Movements()
    rules: tuple[Rule, ...] = ()

    @property
    def inclusion(self) -> tuple[Rule, ...]:
        """Rules of inclusion in the order in which they apply."""
        limits = self.limits
        return self.rules or (
            Rule(rule="min_hours", threshold=limits.min_hours),
            Rule(rule="min_coverage", threshold=limits.min_coverage),
            Rule(rule="max_clock_uncertainty", threshold=limits.max_clock_uncertainty_ms),
        )

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        return known_zone(zone)


class Planned(BaseModel):
    """Names of the sessions that a scenario plans; the simulator reads the rest of it."""

    sessions: dict[str, object]


class Participant(Strict):
    """A participant, by code; age and resting heart rate where known."""

    participant: Code
    age_years: int | None = Setting(default=None, ge=0, le=120)
    resting_bpm: float | None = Setting(default=None, ge=20, le=150)


class Session(Strict):
    """A session of a participant, with its captures and layouts.

    ``captures`` are paths from the study's folder. The files of one capture are joined in order by
    ``;``, further captures of the session (a second hub, a node's own memory) follow after ``|``.
    Names of several layouts whose frames share a capture are joined by ``;`` too.
    """

    session: Code
    participant: Code
    captures: str
    layout: str = Setting(pattern=CODES)
    zone: str | None = None
    start: Instant | None = None
    end: Instant | None = None

    @field_validator("session")
    @classmethod
    def _no_long_repetition(cls, session: str) -> str:
        # The workflow engine takes such a name for one that grows without end.
        if re.search(r"(.+)\1{19,}$", session):
            raise ValueError(f"{session} repeats one part 20 times or more, which no session's name may")
        return session

    @field_validator("captures")
    @classmethod
    def _names_that_a_workflow_takes(cls, captures: str) -> str:
        # The workflow engine replaces {word} and <word>.
        if set("{}<>") & set(captures) or any(ord(letter) < 32 for letter in captures):
            raise ValueError(
                f"{captures!r} holds one of {{}}<> or a control character, which no capture's name may"
            )
        return captures

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, zone: str | None) -> str | None:
        return zone and known_zone(zone)


class Node(Strict):
    """A node of a session, or of all sessions where ``session`` is ``*``.

    ``layout`` is that of the node's frames, where its session has several.
    """

    session: str = Setting(pattern=CODE_OR_ALL)
    node: NodeName
    address: int = Setting(ge=0, lt=2**63)
    placement: Code
    layout: str | None = Setting(default=None, pattern=CODE)


class Event(Strict):
    """A phase of a session, in local time; without ``end`` it lasts until the next one starts."""

    session: Code
    phase: Code
    start: Instant
    end: Instant | None = None


def capture_files(captures: str) -> list[list[str]]:
    """Return the file names of each capture in a cell of the sheet.

    >>> capture_files("hub-a.bin; hub-b.bin | memory.bin")
    [['hub-a.bin', 'hub-b.bin'], ['memory.bin']]
    """
    return [[name.strip() for name in files.split(";")] for files in captures.split("|")]


def capture_paths(captures: str) -> set[str]:
    """Return the paths of all files in a cell of the sheet, each in its shortest form."""
    return {normpath(name) for files in capture_files(captures) for name in files}
