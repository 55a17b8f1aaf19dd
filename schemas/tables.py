"""Every table that crosses a checkpoint between stages. A column used twice is written once."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.clocks import AGREEMENT, CLOCK, MOVEMENTS, STEPS
from nodeday.schemas.columns import (
    YEAR_1969,
    YEAR_2200,
    boot,
    capture,
    channel,
    claimed_address,
    coverage,
    end_ns,
    fill_probability,
    length,
    node,
    offset,
    participant,
    reject_reason,
    row,
    start_ns,
    stream,
    utc_ns,
)
from nodeday.schemas.declare import Column, Table
from nodeday.schemas.features import FEATURE_CODES
from nodeday.schemas.losses import BATTERY, BURSTS, GAPS, LOSS, RADIO, SIGNAL
from nodeday.schemas.motion import BOUTS, CALIBRATION
from nodeday.schemas.samples import ALIGNED, SAMPLES
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

BEATS = Table(
    "beats",
    "an R peak",
    (
        node,
        boot,
        utc_ns,
        Column("amplitude_mv", "float32", "mV", "height of the peak in the filtered signal"),
        Column("origin", "code", "", "what the peak lies on", codes=codes.BEAT_ORIGIN),
        fill_probability.but(
            meaning="of a peak on a pattern fill: the fill's probability; null for all others"
        ),
        Column(
            "rr_ms", "float64", "ms", "time since the previous beat; null for the first", ge=0, nullable=True
        ),
        Column("rr_status", "code", "", "what the interval may be used for", codes=codes.RR_STATUS),
    ),
    key=("node", "utc_ns"),
    increasing="utc_ns",
    within=("node",),
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

SIGNAL_QUALITY = Table(
    "signal_quality",
    "ten seconds of an ECG",
    (
        node,
        channel,
        start_ns,
        end_ns,
        coverage,
        Column("flat", "float64", "1", "share of received samples without any change around", ge=0, le=1),
        Column("clipped", "float64", "1", "share of received samples at a rail", ge=0, le=1),
        Column("lead_off", "float64", "1", "share of received samples with a lead off", ge=0, le=1),
        Column("beats", "int64", "beat", "R peaks found", ge=0),
        Column(
            "agreement",
            "float64",
            "1",
            "beats that two detectors share, of all that either found (bSQI)",
            ge=0,
            le=1,
            nullable=True,
        ),
        Column(
            "likeness",
            "float64",
            "1",
            "mean correlation of the beats with their average",
            ge=-1.000001,
            le=1.000001,
            nullable=True,
        ),
        Column(
            "qrs_power",
            "float64",
            "1",
            "power in 5-15 Hz of that in 5-40 Hz (pSQI)",
            ge=0,
            le=1,
            nullable=True,
        ),
        Column(
            "kurtosis",
            "float64",
            "1",
            "kurtosis after Fisher, 0 for a normal distribution (kSQI)",
            nullable=True,
        ),
        Column(
            "steadiness", "float64", "1", "share of the power above 1 Hz (basSQI)", ge=0, le=1, nullable=True
        ),
        Column("use", "code", "", "what the signal is good for", codes=codes.SIGNAL_USE),
    ),
    key=("node", "channel", "start_ns"),
    increasing="start_ns",
    within=("node", "channel"),
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
        STEPS,
        MOVEMENTS,
        AGREEMENT,
        SAMPLES,
        ALIGNED,
        BEATS,
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
