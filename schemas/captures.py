"""Tables of what a capture holds: frames, the hub's runs, and bytes that are no frame."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.columns import (
    YEAR_1969,
    YEAR_2200,
    boot,
    capture,
    claimed_address,
    length,
    node,
    offset,
    reject_reason,
    row,
    stream,
)
from nodeday.schemas.declare import Column, Table

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
    template=(
        Column(
            "field_{field}",
            "int64",
            "mixed",
            "a field of role other in the stream's layout, as sent; of 64 bits without a sign its bits; "
            "null in a recording that came decoded without it",
            nullable=True,
        ),
        Column(
            "scaled_{field}",
            "float64",
            "mixed",
            "that field by its scale and offset, in its unit; there where the layout gives either",
            nullable=True,
        ),
    ),
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
