"""Columns that several tables share, each written once."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.declare import Column

YEAR_1969, YEAR_2200 = -31_536_000_000_000_000, 7_258_118_400_000_000_000
"""Bounds of instants. A host without a clock counts from 1970, and frames from before its first mark have
instants before that."""

node = Column("node", "name", "", "node, by the name the study gives it")
stream = Column("stream", "name", "", "what the node sends, as the layout names it")
channel = Column("channel", "name", "", "one measured quantity of a stream")
participant = Column("participant", "name", "", "participant, a code and never a name")
row = Column("row", "int64", "", "position of the frame in order of capture over all streams, from 0", ge=0)
capture = Column("capture", "int16", "", "number of the capture within the session, from 0", ge=0)
offset = Column("offset", "int64", "byte", "where the range begins in the capture's joined files", ge=0)
length = Column("length", "int32", "byte", "bytes in the range", ge=1)
reject_reason = Column("reason", "code", "", "why it is no frame", codes=codes.REJECT_REASON)
claimed_address = Column(
    "address",
    "int64",
    "",
    "the address that it claims; null where it is no complete frame, or no checksum vouches for it",
    nullable=True,
)
boot = Column("boot", "int32", "", "stretch between restarts of the node, from 0", ge=0)
utc_ns = Column("utc_ns", "int64", "ns", "instant, nanoseconds since 1970 in UTC", ge=YEAR_1969, le=YEAR_2200)
start_ns = utc_ns.but(name="start_ns", meaning="first instant, nanoseconds since 1970 in UTC")
end_ns = utc_ns.but(name="end_ns", meaning="one past the last instant, nanoseconds since 1970 in UTC")
coverage = Column("coverage", "float64", "1", "share of expected samples that were received", ge=0, le=1)
expected = Column("expected", "int64", "frame", "received plus lost", ge=0)
received = Column("received", "int64", "frame", "distinct frames received", ge=0)
recovered = Column("recovered", "int64", "frame", "of these, present only in another copy", ge=0)
lost = tuple(
    Column(f"lost_{cause}", "int64", "frame", f"lost: {meaning}", ge=0)
    for cause, meaning in codes.GAP_CAUSE.items()
)
duplicates = Column("duplicates", "int64", "frame", "second copies, not counted as received", ge=0)
conflicts = Column("conflicts", "int64", "frame", "of these, with other content than the first", ge=0)
late = Column("late", "int64", "frame", "received out of order", ge=0)


def probability(name: str, meaning: str) -> tuple[Column, Column, Column]:
    """Return a column of a probability, and the two of its 95 % interval."""
    middle = Column(name, "float64", "1", meaning, ge=0, le=1, nullable=True)
    low, high = (
        middle.but(name=f"{name}_{end}", meaning=f"{name}, {words} end of 95 %")
        for end, words in (("low", "lower"), ("high", "upper"))
    )
    return middle, low, high


origin = Column("origin", "code", "", "where the value comes from", codes=codes.ORIGIN)
fill_probability = Column(
    "fill_probability",
    "float32",
    "1",
    "of a fill by the method pattern: the probability that it shows each beat of its gap within 20 ms and no "
    "other; null where nothing was filled, or by another method",
    ge=0,
    le=1,
    nullable=True,
)
