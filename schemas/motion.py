"""Tables of motion: the calibration of each accelerometer, and bouts of walking."""

from __future__ import annotations

from nodeday.schemas import codes
from nodeday.schemas.columns import end_ns, node, start_ns, stream
from nodeday.schemas.declare import Column, Table

AXES = "xyz"

CALIBRATION = Table(
    "calibration",
    "an accelerometer of a session, with the calibration that its features rest on",
    (
        node,
        stream,
        Column("method", "code", "", "where the coefficients come from", codes=codes.CALIBRATION_METHOD),
        Column(
            "note",
            "code",
            "",
            "why there is none, or a warning about it",
            codes=codes.CALIBRATION_NOTE,
            nullable=True,
        ),
        Column("source", "text", "", "the bench record; null where there is none", nullable=True),
        *(
            Column(f"offset_{axis}_g", "float64", "g", f"offset of {axis}: corrected = (raw - offset) / gain")
            for axis in AXES
        ),
        *(Column(f"gain_{axis}", "float64", "1", f"gain of {axis}") for axis in AXES),
        *(
            Column(
                f"slope_{axis}_mg_per_c",
                "float64",
                "mg/degC",
                f"drift of the offset of {axis}; null where temperature was not used",
                nullable=True,
            )
            for axis in AXES
        ),
        Column("temperature_c", "float64", "degC", "temperature at which the offsets hold", nullable=True),
        Column("still_windows", "int64", "", "windows of 10 s in which no axis moved", ge=0),
        Column(
            "sphere_sides",
            "int64",
            "",
            "of the six sides of the axes, those that still windows reach",
            ge=0,
            le=6,
        ),
        Column(
            "residual_before_mg",
            "float64",
            "mg",
            "mean distance of still windows from 1 g as the layout scales it; null without a still window",
            ge=0,
            nullable=True,
        ),
        Column(
            "residual_after_mg",
            "float64",
            "mg",
            "mean distance of still windows from 1 g, calibrated",
            ge=0,
            nullable=True,
        ),
    ),
    key=("node", "stream"),
)

BOUTS = Table(
    "bouts",
    "a bout of walking or running as one node measured it",
    (
        node,
        stream,
        start_ns,
        end_ns,
        Column("steps", "float64", "", "cadence times duration", ge=0),
        Column("cadence_step_min", "float64", "step/min", "mean cadence", ge=0),
        Column("mad_mg", "float64", "mg", "mean amplitude deviation", ge=0),
        Column("before", "code", "", "what lies before its start", codes=codes.BOUT_EDGE),
        Column("after", "code", "", "what lies after its end", codes=codes.BOUT_EDGE),
    ),
    key=("node", "stream", "start_ns"),
    increasing="start_ns",
    within=("node", "stream"),
    notes=("Found in windows of about 6 s; a bout never crosses a gap.",),
)
