"""Every table that crosses a checkpoint between stages. A column used twice is written once."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.captures import FRAMES, HUB_RUNS, REJECTS
from nodeday.schemas.clocks import AGREEMENT, CLOCK, CUT, MOVEMENTS, STEPS
from nodeday.schemas.columns import (
    channel,
    coverage,
    end_ns,
    node,
    participant,
    start_ns,
)
from nodeday.schemas.declare import Column, Table
from nodeday.schemas.features import FEATURE_CODES
from nodeday.schemas.heart import BEATS, RHYTHM, SIGNAL_QUALITY
from nodeday.schemas.links import FIELDS, SENT
from nodeday.schemas.losses import BATTERY, BURSTS, GAPS, LOSS, RADIO, SIGNAL
from nodeday.schemas.motion import BOUTS, CALIBRATION
from nodeday.schemas.signals import ALIGNED, SAMPLES
from nodeday.schemas.studies import EXCLUSIONS, FLOW, PARTICIPANTS, PHASE_FEATURES, PHASES, SESSIONS

EPOCHS = Table(
    "epochs",
    "a feature of a node in an epoch of a participant",
    (
        participant,
        node,
        Column("placement", "name", "", "where on the body the node sits"),
        channel.but(meaning="channel, or stream where a feature uses all of its channels"),
        Column("epoch", "int32", "epoch", "number of the epoch within the session, from 0", ge=0),
        start_ns,
        end_ns,
        Column("feature", "code", "", "which feature", codes=FEATURE_CODES),
        Column(
            "value",
            "float64",
            "mixed",
            "its value, in the unit of the catalogue; null with a reason",
            nullable=True,
        ),
        coverage,
        Column("reason", "code", "", "why there is no value", codes=codes.NO_VALUE, nullable=True),
        Column("low", "float64", "mixed", "lower end of the 95 % interval for what was lost", nullable=True),
        Column("high", "float64", "mixed", "upper end of the 95 % interval for what was lost", nullable=True),
        Column("bias", "float64", "mixed", "what such losses add to the value in the middle", nullable=True),
        Column(
            "bar",
            "code",
            "",
            "how the interval was obtained, or why there is none; null for features without intervals",
            codes=codes.LOSS_BAR,
            nullable=True,
        ),
    ),
    key=("node", "channel", "epoch", "feature"),
    increasing="start_ns",
    within=("node", "channel", "feature"),
    either_or=(("value", "reason"),),
)

LEDGER = Table(
    "ledger",
    "a count at a checkpoint",
    (
        Column("stage", "name", "", "stage that counted"),
        Column("quantity", "name", "", "what was counted: bytes, frames, samples, beats, epochs"),
        Column("scope", "name", "", "of which capture, node and stream"),
        Column("entered", "int64", "count", "how many came to the checkpoint", ge=0),
        Column("accounted", "int64", "count", "how many left it, or were written down as set aside", ge=0),
        Column("detail", "text", "", "the parts that make up the account"),
    ),
    key=("stage", "quantity", "scope"),
)

TABLES = {
    table.name: table
    for table in (
        FRAMES,
        HUB_RUNS,
        REJECTS,
        GAPS,
        LOSS,
        RADIO,
        BURSTS,
        SIGNAL,
        FIELDS,
        SENT,
        BATTERY,
        CLOCK,
        CUT,
        STEPS,
        MOVEMENTS,
        AGREEMENT,
        SAMPLES,
        ALIGNED,
        BEATS,
        RHYTHM,
        EPOCHS,
        SIGNAL_QUALITY,
        CALIBRATION,
        BOUTS,
        PHASES,
        PHASE_FEATURES,
        SESSIONS,
        PARTICIPANTS,
        EXCLUSIONS,
        FLOW,
        LEDGER,
    )
}
