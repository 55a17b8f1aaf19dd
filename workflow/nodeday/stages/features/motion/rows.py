"""Rows of tables ``calibration`` and ``bouts``."""

from __future__ import annotations

import numpy as np
import pandas as pd

from nodeday.config.models import Node
from nodeday.layouts import Kind
from nodeday.schemas import TABLES, codes
from nodeday.stages.features.motion.epochs import Motion
from nodeday.storage import tables


def calibration(found: list[tuple[Node, Kind, Motion]]) -> pd.DataFrame:
    """A row for each acceleration stream."""
    chosen = [motion.chosen for _, _, motion in found]
    nothing = np.full(3, np.nan)
    slopes = [nothing if (c := each.coefficients.slope_g_per_c) is None else 1000 * c for each in chosen]
    columns: dict[str, object] = {
        "node": [node.node for node, _, _ in found],
        "stream": [kind.stream for _, kind, _ in found],
        "method": [each.method for each in chosen],
        "note": [each.note for each in chosen],
        "source": [each.source or None for each in chosen],
        "temperature_c": _floats([each.coefficients.temperature_c for each in chosen]),
        "still_windows": np.array([each.still for each in chosen], np.int64),
        "sphere_sides": np.array([each.sides for each in chosen], np.int64),
        "residual_before_mg": _floats([each.before_mg for each in chosen]),
        "residual_after_mg": _floats([each.after_mg for each in chosen]),
    }
    for k, axis in enumerate("xyz"):
        columns[f"offset_{axis}_g"] = _floats([each.coefficients.offset_g[k] for each in chosen])
        columns[f"gain_{axis}"] = _floats([each.coefficients.gain[k] for each in chosen])
        columns[f"slope_{axis}_mg_per_c"] = _floats([slope[k] for slope in slopes])
    return tables.build(TABLES["calibration"], columns)


def bouts(node: Node, kind: Kind, motion: Motion) -> pd.DataFrame:
    """A row for each bout of one stream."""
    own, edges = motion.bouts, list(codes.BOUT_EDGE)
    n = len(own.start_ns)
    return tables.build(
        TABLES["bouts"],
        {
            "node": np.full(n, node.node, object),
            "stream": np.full(n, kind.stream, object),
            "start_ns": own.start_ns,
            "end_ns": own.end_ns,
            "steps": own.steps,
            "cadence_step_min": own.cadence,
            "mad_mg": own.mad_mg,
            "before": [edges[place] for place in own.before.tolist()],
            "after": [edges[place] for place in own.after.tolist()],
        },
    )


def _floats(values: list[float | None]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([np.nan if each is None else each for each in values], np.float64)
