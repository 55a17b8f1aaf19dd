"""Every table that crosses a doorway between rooms. A column used twice is written once."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.columns import (
    YEAR_1970,
    YEAR_2200,
    boot,
    capture,
    channel,
    coverage,
    end_ns,
    length,
    node,
    offset,
    origin,
    participant,
    start_ns,
    stream,
    utc_ns,
)
from nodeday.schemas.declare import Column, Table
from nodeday.schemas.features import FEATURE_CODES
from nodeday.schemas.losses import BURSTS, GAPS, LOSS, RADIO, SIGNAL
from nodeday.schemas.studies import EXCLUSIONS, FLOW, PARTICIPANTS, PHASE_FEATURES, PHASES, SESSIONS

FRAMES = Table(
    "frames",
    "a received frame",
    (
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
        Column("mark_utc_ns", "int64", "ns", "the host's UTC in a host mark", ge=YEAR_1970, le=YEAR_2200,
               nullable=True),
        Column("rssi_dbm", "float32", "dBm", "received signal strength", ge=-200, le=50, nullable=True),
        Column("lqi", "float32", "1", "link quality as the radio reports it", nullable=True),
        Column("battery_v", "float32", "V", "battery voltage", ge=0, le=100, nullable=True),
        Column("samples", "int32", "sample", "sample instants in the frame", ge=0),
        Column("payload", "binary", "", "the sample bytes as sent"),
        Column("status", "code", "", "how the frame stands in its sequence", codes=codes.FRAME_STATUS),
    ),
    key=("capture", "offset"),
    increasing="offset",
    within=("capture",),
)  # fmt: skip

REJECTS = Table(
    "rejects",
    "a byte range that is no frame",
    (capture, offset, length, Column("reason", "code", "", "why", codes=codes.REJECT_REASON)),
    key=("capture", "offset"),
    increasing="offset",
    within=("capture",),
)

CLOCK = Table(
    "clock",
    "a knot of a node's map from ticks to UTC; straight lines join the knots of a boot",
    (
        node,
        boot,
        Column("ticks", "int64", "tick", "node ticks, unwrapped within the boot"),
        utc_ns,
        Column("skew_ppm", "float64", "ppm", "how much faster than nominal the node's crystal runs"),
        Column("offset_ms", "float64", "ms", "map minus a crystal of nominal rate started with the boot"),
        Column("residual_ms", "float64", "ms", "median distance of the frames above the edge", nullable=True),
        Column("uncertainty_ms", "float64", "ms", "half width of the 95 % band of the map", ge=0),
        Column("delay_ms", "float64", "ms", "constant delay that was assumed, not measured", ge=0),
        Column("status", "code", "", "how the knot was found", codes=codes.CLOCK_STATUS),
    ),
    key=("node", "boot", "ticks"),
    increasing="utc_ns",
    within=("node", "boot"),
)

SAMPLES = Table(
    "samples",
    "a sample of a channel at the node's own rate, lost ones included",
    (
        node,
        stream,
        channel,
        boot,
        Column("seq", "int64", "frame", "unwrapped number of the frame that carried it"),
        Column("position", "int16", "sample", "place within the frame, from 0", ge=0),
        utc_ns,
        Column("raw", "int32", "count", "converter counts as sent, never altered", nullable=True),
        Column("value", "float32", "mixed", "in the unit that the layout states for the channel",
               nullable=True),
        origin,
        Column("quality", "code", "", "what speaks against the sample", codes=codes.QUALITY),
    ),
    key=("node", "channel", "boot", "seq", "position"),
    increasing="utc_ns",
    within=("node", "channel", "boot"),
)  # fmt: skip

ALIGNED = Table(
    "aligned",
    "an instant of the session's common grid",
    (utc_ns,),
    key=("utc_ns",),
    increasing="utc_ns",
    template=(
        Column("{channel}", "float32", "mixed", "value at the instant, by straight line between neighbours",
               nullable=True),
        Column("{channel}_origin", "code", "", "the weaker of both neighbours' origins", codes=codes.ORIGIN),
    ),
)  # fmt: skip

BEATS = Table(
    "beats",
    "an R peak",
    (
        node,
        boot,
        utc_ns,
        Column("amplitude_mv", "float32", "mV", "height of the peak in the filtered signal"),
        Column("origin", "code", "", "what the peak lies on", codes=codes.BEAT_ORIGIN),
        Column(
            "rr_ms", "float64", "ms", "time since the beat before; null for the first", ge=0, nullable=True
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
        Column("value", "float64", "mixed", "its value, in the unit of the catalogue; null with a reason",
               nullable=True),
        coverage,
        Column("reason", "code", "", "why there is no value", codes=codes.NO_VALUE, nullable=True),
    ),
    key=("node", "channel", "epoch", "feature"),
    increasing="start_ns",
    within=("node", "channel", "feature"),
    notes=("A value is null exactly where a reason stands.",),
)  # fmt: skip

LEDGER = Table(
    "ledger",
    "a count at a doorway",
    (
        Column("room", "name", "", "room that counted"),
        Column("quantity", "name", "", "what was counted: bytes, frames, samples, beats, epochs"),
        Column("scope", "name", "", "of which capture, node and stream"),
        Column("entered", "int64", "count", "how many came to the doorway", ge=0),
        Column("accounted", "int64", "count", "how many left it, or were written down as set aside", ge=0),
        Column("detail", "text", "", "the parts that make up the account"),
    ),
    key=("room", "quantity", "scope"),
)

TABLES = {
    table.name: table
    for table in (
        FRAMES, REJECTS, GAPS, LOSS, RADIO, BURSTS, SIGNAL, CLOCK, SAMPLES, ALIGNED, BEATS, EPOCHS,
        PHASES, PHASE_FEATURES, SESSIONS, PARTICIPANTS, EXCLUSIONS, FLOW, LEDGER,
    )
}  # fmt: skip
