"""Tables of the heart: beats, events of the rhythm, and the quality of the signal that both rest on."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.columns import boot, channel, coverage, end_ns, fill_probability, node, start_ns, utc_ns
from nodeday.schemas.declare import Column, Table

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

RHYTHM = Table(
    "rhythm",
    "an event of the rhythm of an ECG: a pause, the slowest or the fastest ten seconds",
    (
        node,
        channel,
        Column("event", "code", "", "what it is", codes=codes.RHYTHM_EVENT),
        start_ns,
        end_ns,
        Column("rr_ms", "float64", "ms", "length of a pause; null for others", ge=0, nullable=True),
        Column(
            "rate_bpm", "float64", "bpm", "heart rate of ten seconds; null for pauses", ge=0, nullable=True
        ),
    ),
    key=("node", "channel", "event", "start_ns"),
    increasing="start_ns",
    within=("node", "channel", "event"),
    notes=("Figures with a definition, and none a finding about a person. Every pause is a row.",),
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
            "beyond_chance",
            "float64",
            "1",
            "agreement beyond what as many beats at random would give: 1 is all, 0 is chance",
            le=1.000001,
            nullable=True,
        ),
        Column(
            "likeness",
            "float64",
            "1",
            "mean correlation of the beats with the average of their neighbours, weighted by likeness",
            ge=-1.000001,
            le=1.000001,
            nullable=True,
        ),
        Column(
            "prominence",
            "float64",
            "1",
            "power in 5-40 Hz within 80 ms of the beats over that elsewhere",
            ge=0,
            nullable=True,
        ),
        Column("centre_hz", "float64", "Hz", "mean frequency of the beats' shape", ge=0, nullable=True),
        Column(
            "regular_share",
            "float64",
            "1",
            "share of the beats whose interval is within a tenth of the one before",
            ge=0,
            le=1,
            nullable=True,
        ),
        Column("signs", "int64", "1", "signs of a heart, of five; below three there is no heart", ge=0, le=5),
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
        Column("pacing_spikes", "int64", "count", "a pacemaker's spikes seen: the heart is paced", ge=0),
        Column("use", "code", "", "what the signal is good for", codes=codes.SIGNAL_USE),
    ),
    key=("node", "channel", "start_ns"),
    increasing="start_ns",
    within=("node", "channel"),
)
