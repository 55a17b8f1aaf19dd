"""Tables of time: each node's map to UTC, the steps of its clocks, and movements that check it."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.columns import boot, end_ns, node, start_ns, stream, utc_ns
from nodeday.schemas.declare import Column, Table

band = Column("uncertainty_ms", "float64", "ms", "half width of the 95 % band", ge=0)

CLOCK = Table(
    "clock",
    "a knot of a node's map from ticks to UTC; straight lines join the knots of a boot",
    (
        node,
        stream.but(meaning="stream that the map is for; * for all streams of the node"),
        boot,
        Column("ticks", "int64", "tick", "node ticks, unwrapped within the boot"),
        utc_ns,
        Column("skew_ppm", "float64", "ppm", "how much faster than nominal the node's crystal runs"),
        Column("offset_ms", "float64", "ms", "map minus a crystal of nominal rate started with the boot"),
        Column("residual_ms", "float64", "ms", "median distance of the frames above the edge", nullable=True),
        band.but(meaning="half width of the 95 % band of the map"),
        Column("delay_ms", "float64", "ms", "constant delay that was assumed, not measured", ge=0),
        Column(
            "corrected_ms", "float64", "ms", "correction that was added to the time, from shared movements"
        ),
        Column("status", "code", "", "how the knot was determined", codes=codes.CLOCK_STATUS),
        Column("time_source", "code", "", "whose time the ticks count", codes=codes.TIME_SOURCE),
    ),
    key=("node", "stream", "boot", "ticks"),
    increasing="utc_ns",
    within=("node", "stream", "boot"),
    notes=(
        "Measured: everything that varies. Assumed: delay_ms, from the layout, since the constant part of a "
        "delay cannot be seen one way; the band does not cover an error in it.",
    ),
)

CUT = Table(
    "cut",
    "a boot of a stream, and which of its frames a session with a written start or end takes",
    (
        node,
        stream,
        boot,
        start_ns.but(meaning="start of the session; null where it begins with the capture", nullable=True),
        end_ns.but(meaning="end of the session; null where it ends with the capture", nullable=True),
        Column("seq_from", "int64", "frame", "first number in the session, received or lost"),
        Column("seq_to", "int64", "frame", "one past the last number in the session"),
        Column("inside", "int64", "frame", "received frames in the session, second copies included", ge=0),
        Column("before", "int64", "frame", "received frames before its start", ge=0),
        Column("after", "int64", "frame", "received frames from its end on", ge=0),
        Column(
            "untimed",
            "int64",
            "frame",
            "received frames without a time in UTC, which no session with a start or end takes",
            ge=0,
        ),
    ),
    key=("node", "stream", "boot"),
    notes=(
        "Without a row where sessions.tsv gives neither start nor end, or where the start only dates a "
        "capture without host marks: then the session takes all frames.",
        "A frame lies where its first sample does, by the node's clock; a lost one evenly between its "
        "neighbours. Samples are cut by their own instants. The intervals are half-open.",
    ),
)

STEPS = Table(
    "steps",
    "a step of a clock, or a restart",
    (
        node.but(meaning="node whose clock it is; hub for the hub's, * for the time of a network"),
        Column("kind", "code", "", "what happened", codes=codes.STEP_KIND),
        Column("before_hub_ns", "int64", "ns", "hub stamp of the last frame before it"),
        Column("after_hub_ns", "int64", "ns", "hub stamp of the first frame after it"),
        utc_ns.but(
            meaning="when the last frame before it was stamped; null where that is not known", nullable=True
        ),
        Column(
            "size_ms",
            "float64",
            "ms",
            "how far the clock moved forward against the others, or how long "
            "a restarted node was silent; null where that is not known",
            nullable=True,
        ),
        band.but(meaning="half width of the 95 % band of the size; null without a size", nullable=True),
        Column("witnesses", "int32", "count", "nodes that show it, the host's marks being one", ge=0),
    ),
    key=("node", "kind", "before_hub_ns", "after_hub_ns"),
)

MOVEMENTS = Table(
    "movements",
    "a movement that two accelerometers share",
    (
        node,
        node.but(name="other", meaning="the other node"),
        utc_ns.but(meaning="middle of the movement, by the first node's clock"),
        Column(
            "source", "code", "", "where the time of the movement comes from", codes=codes.MOVEMENT_SOURCE
        ),
        Column("offset_ms", "float64", "ms", "how much later the other node's clock puts it"),
        Column("correlation", "float64", "1", "normalised cross-correlation at that offset", ge=-1, le=1),
        band.but(meaning="half width of the 95 % band of the offset"),
    ),
    key=("node", "other", "utc_ns"),
)

AGREEMENT = Table(
    "agreement",
    "two nodes' clocks, compared by the movements that they share",
    (
        node,
        node.but(name="other", meaning="the other node"),
        Column("moments", "int32", "count", "shared movements", ge=0),
        Column("offset_ms", "float64", "ms", "median offset; null without a movement", nullable=True),
        band.but(meaning="half width of the 95 % band of that median; null without", nullable=True),
        Column(
            "clock_ms",
            "float64",
            "ms",
            "half width of the 95 % band that both clocks claim",
            ge=0,
            nullable=True,
        ),
        Column("verdict", "code", "", "whether the clocks agree", codes=codes.AGREEMENT),
    ),
    key=("node", "other"),
)
