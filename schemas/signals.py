"""Tables of sample instants: of each stream at its own rate, and of a session's common grid."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.columns import boot, fill_probability, node, origin, stream, utc_ns
from nodeday.schemas.declare import Column, Table

SAMPLES = Table(
    "samples",
    "a sample instant of a stream at the node's own rate, lost ones included",
    (
        node,
        stream,
        boot,
        Column("seq", "int64", "frame", "unwrapped number of the frame that carried it"),
        Column("position", "int16", "sample", "position within the frame, from 0", ge=0),
        utc_ns,
        Column("rate_hz", "float64", "Hz", "samples a second in the frame that carried it", ge=0),
        origin,
        fill_probability,
    ),
    key=("node", "stream", "boot", "seq", "position"),
    increasing="utc_ns",
    within=("node", "stream", "boot"),
    template=(
        Column("{channel}", "float32", "mixed", "value, in the unit that the layout states", nullable=True),
        Column(
            "{channel}_raw",
            "int32",
            "count",
            "converter counts as sent, never altered; null where no frame arrived",
            nullable=True,
        ),
        Column(
            "{channel}_quality", "code", "", "what is wrong with the sample, or good", codes=codes.QUALITY
        ),
    ),
    notes=(
        "A file for each stream of a node, with columns for its channels.",
        "Frames lost while a node changed its rate have no rows: nothing tells which of them had which rate.",
    ),
)

ALIGNED = Table(
    "aligned",
    "an instant of the session's common grid",
    (utc_ns,),
    key=("utc_ns",),
    increasing="utc_ns",
    template=(
        Column("{channel}", "float32", "mixed", "value at the instant, band-limited", nullable=True),
        Column(
            "{channel}_origin",
            "code",
            "",
            "the weakest origin among the samples it rests on",
            codes=codes.ORIGIN,
        ),
        Column(
            "{channel}_quality",
            "code",
            "",
            "the worst quality among the samples it rests on",
            codes=codes.QUALITY,
        ),
    ),
)
