"""Tables of the study: phases and what was measured in them, sessions, participants, rules."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.columns import channel, coverage, end_ns, node, participant, start_ns
from nodeday.schemas.declare import Column, Table
from nodeday.schemas.features import FEATURE_CODES

session = Column("session", "name", "", "session, by the code the study gives it")
placement = Column("placement", "name", "", "where on the body the node sits")
phase = Column("phase", "name", "", "name of the phase, as noted")

PHASES = Table(
    "phases",
    "a stretch of protocol of a session",
    (
        session,
        participant,
        phase,
        start_ns,
        end_ns,
        Column("source", "code", "", "where the phase comes from", codes=codes.PHASE_SOURCE),
        start_ns.but(
            name="noted_start_ns",
            meaning="start as noted, in UTC; null where nothing is noted",
            nullable=True,
        ),
        end_ns.but(
            name="noted_end_ns",
            meaning="end as noted, or the start of the next note; null where neither is",
            nullable=True,
        ),
        Column("overlap_s", "float64", "s", "time that it shares with other noted phases", ge=0),
        Column("epochs", "int32", "epoch", "epochs that lie entirely in it", ge=0),
    ),
    key=("session", "phase", "start_ns"),
    notes=("Phases are cut to what was recorded; noted_start_ns and noted_end_ns keep what was noted.",),
)

PHASE_FEATURES = Table(
    "phase_features",
    "a feature of a node in a phase",
    (
        session,
        participant,
        phase,
        start_ns.but(meaning="first instant of the phase, nanoseconds since 1970 in UTC"),
        node,
        placement,
        channel.but(meaning="channel, or stream where a feature uses all of its channels"),
        Column("feature", "code", "", "which feature", codes=FEATURE_CODES),
        Column("epochs", "int32", "epoch", "epochs that lie entirely in the phase", ge=0),
        Column("epochs_with_value", "int32", "epoch", "of these, epochs that have a value", ge=0),
        Column(
            "value",
            "float64",
            "mixed",
            "mean of the epochs' values, in the feature's unit; null with a reason",
            nullable=True,
        ),
        Column("reason", "code", "", "why there is no value", codes=codes.NO_PHASE_VALUE, nullable=True),
        Column(
            "spread",
            "float64",
            "mixed",
            "standard deviation (n - 1) between epochs; null below two",
            ge=0,
            nullable=True,
        ),
        Column(
            "low",
            "float64",
            "mixed",
            "lower end of 95 % for what was lost: epochs without a value, and "
            "the error bars of the others where they have one; null where that is not known",
            nullable=True,
        ),
        Column("high", "float64", "mixed", "upper end", nullable=True),
        coverage.but(meaning="mean coverage of the epochs, those without a value included", nullable=True),
    ),
    key=("session", "phase", "start_ns", "node", "channel", "feature"),
    either_or=(("value", "reason"),),
    notes=("Low and high are about loss alone: they meet in the value where nothing was lost.",),
)

SESSIONS = Table(
    "sessions",
    "a node of a session, with its losses and its verdict",
    (
        session,
        participant,
        node,
        placement,
        start_ns.but(
            meaning="first instant, nanoseconds since 1970 in UTC; null without a clock", nullable=True
        ),
        end_ns.but(
            meaning="one past the last instant, nanoseconds since 1970 in UTC; null without a clock",
            nullable=True,
        ),
        Column("hours", "float64", "h", "length of the session, by the hub's clock without a UTC", ge=0),
        coverage.but(
            meaning="share of the session's time for which the node's samples were received, of its stream "
            "with the lowest; null with a reason",
            nullable=True,
        ),
        Column(
            "coverage_reason",
            "code",
            "",
            "why there is no coverage",
            codes=codes.NO_COVERAGE,
            nullable=True,
        ),
        Column("frames_received", "int64", "frame", "distinct frames received", ge=0),
        Column("frames_lost", "int64", "frame", "frames known to be lost", ge=0),
        Column("restarts", "int64", "", "restarts of the node", ge=0),
        Column("unknown_gaps", "int64", "", "gaps whose length is not known", ge=0),
        Column(
            "clock_uncertainty_ms",
            "float64",
            "ms",
            "largest 95 % half width of the node's time",
            ge=0,
            nullable=True,
        ),
        Column("verdict", "code", "", "what the node's data are good for", codes=codes.NODE_VERDICT),
    ),
    key=("session", "node"),
    either_or=(("coverage", "coverage_reason"),),
    notes=("A session whose frames hold no samples lasts from its first frame to its last.",),
)

PARTICIPANTS = Table(
    "participants",
    "a participant, with what the study has of it",
    (
        participant,
        Column(
            "age_years", "int32", "year", "age as written; null where it is not", ge=0, le=120, nullable=True
        ),
        Column(
            "resting_bpm", "float64", "bpm", "resting heart rate as written", ge=20, le=150, nullable=True
        ),
        Column("sessions", "int32", "", "sessions that the study lists", ge=0),
        Column("sessions_finished", "int32", "", "of these, sessions that were finished", ge=0),
        Column(
            "sessions_left", "int32", "", "of these, sessions that every rule leaves at least in part", ge=0
        ),
        Column("hours", "float64", "h", "length of the finished sessions", ge=0),
        Column("hours_left", "float64", "h", "length of the sessions that are left", ge=0),
        Column("status", "code", "", "whether the participant counts", codes=codes.PARTICIPANT_STATUS),
        Column(
            "rule",
            "code",
            "",
            "the rule that excluded the last session; null where one is left, and without any session",
            codes=codes.EXCLUSION_RULE,
            nullable=True,
        ),
    ),
    key=("participant",),
)

_ALL = "or * for all of them"
EXCLUSIONS = Table(
    "exclusions",
    "a rule of the study that a session, node or feature does not meet",
    (
        session,
        participant,
        node.but(meaning=f"node, {_ALL}"),
        channel.but(meaning=f"channel, {_ALL}"),
        Column("feature", "name", "", f"feature, {_ALL}"),
        Column("step", "int16", "", "position of the rule in the order in which rules apply, from 1", ge=1),
        Column("rule", "code", "", "which rule", codes=codes.EXCLUSION_RULE),
        Column("threshold", "float64", "mixed", "what the rule asks for, in the rule's unit"),
        Column(
            "value",
            "float64",
            "mixed",
            "what the data have, in the same unit; null where there is nothing to measure",
            nullable=True,
        ),
        Column(
            "counts",
            "code",
            "",
            "whether this rule excluded it, or an earlier one had",
            codes=codes.RULE_COUNTS,
        ),
    ),
    key=("session", "node", "channel", "feature", "step"),
    notes=("Nothing that is excluded is deleted: every epoch stays in its table.",),
)

_UNITS = {
    "participants": "participants",
    "sessions": "sessions",
    "nodes": "nodes of sessions",
    "series": "features of nodes of sessions",
}
_PARTS = (
    ("alone", "that this rule would exclude if it were the only one"),
    ("excluded", "that it excludes from what earlier rules left"),
    ("left", "that are left after it"),
)
FLOW = Table(
    "flow",
    "a rule of the study in the order in which rules apply, with what it excludes; first what there was",
    (
        Column("step", "int16", "", "position in the order; 0 before the first rule", ge=0),
        Column("rule", "code", "", "which rule", codes=codes.FLOW_STEP),
        Column("node", "name", "", f"node that the rule is for, {_ALL}"),
        Column("feature", "name", "", f"feature that the rule is for, {_ALL}"),
        Column(
            "threshold",
            "float64",
            "mixed",
            "what the rule asks for; null before the first rule",
            nullable=True,
        ),
        *(
            Column(f"{name}_{part}", "int64", "", f"{meaning} {what}", ge=0)
            for name, meaning in _UNITS.items()
            for part, what in _PARTS
        ),
        *(
            Column(
                f"hours_{part}",
                "float64",
                "h",
                "hours received of nodes of sessions (length x coverage) " + what,
                ge=0,
            )
            for part, what in _PARTS
        ),
    ),
    key=("step",),
    increasing="step",
    notes=("What has no feature left is excluded: a node, a session, a participant.",),
)
