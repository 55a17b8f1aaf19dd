"""Every table that crosses a checkpoint between stages. A column used twice is written once."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.clocks import AGREEMENT, CLOCK, CUT, MOVEMENTS, STEPS
from nodeday.schemas.columns import (
    YEAR_1969,
    YEAR_2200,
    boot,
    capture,
    channel,
    claimed_address,
    coverage,
    end_ns,
    length,
    node,
    offset,
    participant,
    reject_reason,
    row,
    start_ns,
    stream,
)
from nodeday.schemas.declare import Column, Table
from nodeday.schemas.features import FEATURE_CODES
from nodeday.schemas.heart import BEATS, RHYTHM, SIGNAL_QUALITY
from nodeday.schemas.losses import BATTERY, BURSTS, GAPS, LOSS, RADIO, SIGNAL
from nodeday.schemas.motion import BOUTS, CALIBRATION
from nodeday.schemas.signals import ALIGNED, SAMPLES
from nodeday.schemas.studies import EXCLUSIONS, FLOW, PARTICIPANTS, PHASE_FEATURES, PHASES, SESSIONS

FRAMES = Table(
    "frames",
    "a received frame",
    (
        row,
        capture,
        offset,
        length,
        node,
        stream,
        Column("kind", "int32", "", "kind number in the frame", ge=0),
        boot,
        Column("seq_raw", "int64", "", "sequence number as sent", ge=0),
        Column("seq", "int64", "frame", "sequence number unwrapped, counted within the boot"),
        Column("ticks_raw", "int64", "tick", "node ticks as sent", ge=0),
        Column("ticks", "int64", "tick", "node ticks unwrapped within the boot"),
        Column("hub_ns", "int64", "ns", "the hub's stamp on the hub's own clock"),
        Column(
            "mark_utc_ns",
            "int64",
            "ns",
            "the host's UTC in a host mark",
            ge=YEAR_1969,
            le=YEAR_2200,
            nullable=True,
        ),
        Column("rssi_dbm", "float32", "dBm", "received signal strength", ge=-200, le=50, nullable=True),
        Column("lqi", "float32", "1", "link quality as the radio reports it", nullable=True),
        Column("battery_v", "float32", "V", "battery voltage", ge=0, le=100, nullable=True),
        Column("samples", "int32", "sample", "sample instants in the frame", ge=0),
        Column("payload", "binary", "", "the sample bytes as sent"),
        Column("status", "code", "", "how the frame stands in its sequence", codes=codes.FRAME_STATUS),
    ),
    key=("row",),
    increasing="row",
    notes=(
        "A file for each stream of a node; its rows are numbered in order of capture across all of them.",
        "A signal strength or a voltage outside its range counts as not given: nothing can have measured it.",
    ),
)

HUB_RUNS = Table(
    "hub_runs",
    "a stretch of the first capture in which the hub's clock ran on without a break",
    (
        row.but(meaning="the stretch's first frame: its row in table frames"),
        Column("hub_run", "int16", "", "stretch between restarts of the hub, from 0", ge=0),
        Column("began", "code", "", "what began it", codes=codes.HUB_RUN_BEGAN),
        Column("hub_ns", "int64", "ns", "the hub's stamp of that frame"),
        Column(
            "before_hub_ns",
            "int64",
            "ns",
            "the hub's stamp of the frame before it; null for the first",
            nullable=True,
        ),
    ),
    key=("row",),
    increasing="row",
)

REJECTS = Table(
    "rejects",
    "a byte range that is no frame",
    (capture, offset, length, reject_reason, claimed_address),
    key=("capture", "offset"),
    increasing="offset",
    within=("capture",),
)

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
