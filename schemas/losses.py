"""Tables of losses: the gaps, and their account by minute, by session and by signal."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.columns import (
    YEAR_1969,
    YEAR_2200,
    boot,
    conflicts,
    duplicates,
    expected,
    late,
    lost,
    node,
    probability,
    received,
    recovered,
    stream,
)
from nodeday.schemas.declare import Column, Table

GAPS = Table(
    "gaps",
    "a half-open interval of lost frames of one stream",
    (
        node,
        stream,
        boot,
        Column("seq_from", "int64", "frame", "first lost frame, unwrapped"),
        Column(
            "seq_to", "int64", "frame", "one past the last lost frame; null when not known", nullable=True
        ),
        Column("frames", "int64", "frame", "lost frames; null when not known", ge=1, nullable=True),
        Column("extent", "code", "", "whether the number is known", codes=codes.GAP_EXTENT),
        Column("cause", "code", "", "why the frames were lost", codes=codes.GAP_CAUSE),
        Column(
            "before_hub_ns",
            "int64",
            "ns",
            "hub stamp of the last frame before the gap; null at the begin",
            nullable=True,
        ),
        Column(
            "after_hub_ns",
            "int64",
            "ns",
            "hub stamp of the first frame after it; null at the end",
            nullable=True,
        ),
        Column(
            "reason",
            "code",
            "",
            "why cause or length cannot be known; null where both are",
            codes=codes.GAP_REASON,
            nullable=True,
        ),
    ),
    key=("node", "stream", "boot", "seq_from"),
)

LOSS = Table(
    "loss",
    "a stream of a node in a minute of the hub's clock",
    (
        node,
        stream,
        Column("hub_run", "int16", "", "stretch between restarts of the hub, from 0", ge=0),
        Column("minute_hub_ns", "int64", "ns", "start of the minute on the hub's clock"),
        Column(
            "minute_utc_ns",
            "int64",
            "ns",
            "when that was, to a few seconds; null without host marks",
            ge=YEAR_1969,
            le=YEAR_2200,
            nullable=True,
        ),
        expected,
        received,
        recovered,
        *lost,
        duplicates,
        conflicts,
        late,
        Column("rssi_dbm", "float32", "dBm", "mean received signal strength", ge=-200, le=50, nullable=True),
        Column("lqi", "float32", "1", "mean link quality", nullable=True),
        Column("longest_gap_frames", "int64", "frame", "longest run of lost frames that begins here", ge=0),
    ),
    key=("node", "stream", "hub_run", "minute_hub_ns"),
)

RADIO = Table(
    "radio",
    "a stream of a node over the session: frames received and lost, and how losses on the air cluster",
    (
        node,
        stream,
        expected,
        received,
        recovered,
        *lost,
        Column("unknown_gaps", "int64", "", "gaps whose length is not known", ge=0),
        duplicates,
        conflicts,
        late,
        Column(
            "inconsistent",
            "int64",
            "frame",
            "received, with counters or a stamp that contradict others",
            ge=0,
        ),
        Column(
            "boot_returns",
            "int64",
            "",
            "how often frames went back to an earlier boot: often means senders that share an address",
            ge=0,
        ),
        Column("longest_gap_frames", "int64", "frame", "longest run of lost frames of known length", ge=0),
        Column(
            "longest_gap_s",
            "float64",
            "s",
            "longest hole, gaps of unknown length and the silence up to "
            "the session's end included; across a restart of the hub where host marks give the time",
            ge=0,
        ),
        Column(
            "period_s",
            "float64",
            "s",
            "nominal time from one frame to the next; null, as durations of bursts are, where frames of "
            "several periods were received",
            ge=0,
            nullable=True,
        ),
        Column(
            "radio_loss",
            "float64",
            "1",
            "lost on the air / (received + lost on the air)",
            ge=0,
            le=1,
            nullable=True,
        ),
        Column("runs", "int64", "", "runs of frames lost on the air", ge=0),
        Column("mean_run_frames", "float64", "frame", "mean length of these runs", ge=1, nullable=True),
        Column("longest_run_frames", "int64", "frame", "longest of these runs", ge=0),
        Column(
            "burst_ratio",
            "float64",
            "1",
            "mean run x (1 - radio_loss): 1 independent, more burstier",
            ge=0,
            nullable=True,
        ),
        *probability("p", "chance that a loss on the air follows a received frame"),
        *probability("r", "chance that a received frame follows a loss on the air"),
        Column(
            "expected_loss",
            "float64",
            "1",
            "p / (p + r), the loss of such a chain in the long run; near radio_loss where the model fits",
            ge=0,
            le=1,
            nullable=True,
        ),
        Column(
            "bursts",
            "int64",
            "",
            "bursts of RFC 3611 with Gmin 16: two losses or more, fewer than 16 "
            "received in a row between them",
            ge=0,
        ),
        Column("burst_frames", "int64", "frame", "frames expected in bursts", ge=0),
        Column("burst_lost", "int64", "frame", "frames lost in bursts", ge=0),
        Column("burst_density", "float64", "1", "burst_lost / burst_frames", ge=0, le=1, nullable=True),
        Column("gap_density", "float64", "1", "share lost between bursts", ge=0, le=1, nullable=True),
        Column("burst_s", "float64", "s", "mean duration of a burst", ge=0, nullable=True),
        Column(
            "burst_sd_s", "float64", "s", "standard deviation of the durations of bursts", ge=0, nullable=True
        ),
        Column(
            "gap_s",
            "float64",
            "s",
            "mean duration of what RFC 3611 calls a gap: from burst to burst",
            ge=0,
            nullable=True,
        ),
    ),
    key=("node", "stream"),
    notes=(
        "Hub outages and restarts cut the sequence: they count in no run, burst, p or r.",
        "Lower loss, p, burst ratio and durations of bursts are better; higher r is better.",
    ),
)

BURSTS = Table(
    "bursts",
    "a length of runs of frames lost on the air, and how often it occurred",
    (
        node,
        stream,
        Column("length", "int64", "frame", "frames lost in a row", ge=1),
        Column("count", "int64", "", "runs of that length", ge=1),
    ),
    key=("node", "stream", "length"),
)

SIGNAL = Table(
    "signal",
    "a bin of signal strength or link quality of a stream, with what was lost on the air in it",
    (
        node,
        stream,
        Column("measure", "code", "", "what the bin is of", codes=codes.SIGNAL_MEASURE),
        Column("low", "float64", "mixed", "lower edge of the bin, in the unit of the measure"),
        Column("high", "float64", "mixed", "upper edge, not part of the bin"),
        expected,
        Column(
            "lost",
            "int64",
            "frame",
            "lost on the air; a lost frame has the mean of its received neighbours' signal",
            ge=0,
        ),
        Column("share", "float64", "1", "lost / expected", ge=0, le=1),
        Column("share_low", "float64", "1", "lower end of 95 %, as if losses were independent", ge=0, le=1),
        Column("share_high", "float64", "1", "upper end of 95 %", ge=0, le=1),
    ),
    key=("node", "stream", "measure", "low"),
)

BATTERY = Table(
    "battery",
    "the battery of a node that sends its voltage, over the session",
    (
        node,
        Column("readings", "int64", "", "received frames that carried a voltage", ge=1),
        Column("first_v", "float64", "V", "median of the first 5 min", ge=0, le=100),
        Column("last_v", "float64", "V", "median of the last 5 min with a voltage", ge=0, le=100),
        Column(
            "fall_v_per_h",
            "float64",
            "V/h",
            "how fast it fell over the last third, one hour at least",
            nullable=True,
        ),
        Column(
            "left_h",
            "float64",
            "h",
            "time to the study's empty_v at that rate; a cell gives way sooner",
            ge=0,
            nullable=True,
        ),
        Column(
            "left_reason",
            "code",
            "",
            "why there is no such time; null where there is one",
            codes=codes.NO_TIME_LEFT,
            nullable=True,
        ),
        Column("state", "code", "", "state of the battery by its voltage", codes=codes.BATTERY_STATE),
        Column(
            "silent_hub_ns",
            "int64",
            "ns",
            "hub stamp of the last frame before the first silence or "
            "restart that followed a fall; null without one",
            nullable=True,
        ),
    ),
    key=("node",),
    either_or=(("left_h", "left_reason"),),
)
