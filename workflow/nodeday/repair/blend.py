"""Stretches mixed so that together they give the context better than each of them does.

::

    context      ..../\\_           what stretch 1 leaves   ++--
    stretch 1    .../\\__           what stretch 2 leaves   --++     half of each leaves next to nothing
    stretch 2    ...../\\

The weights that rebuild a point from its neighbours are those of locally linear embedding (Roweis and Saul
2000, Science 290:2323, from memory). Here each neighbour is held to the weight that its own likeness gives
it, more firmly where no stretch comes near the context: what they leave there is noise, and noise must not be
rebuilt.
"""

from __future__ import annotations

import numpy as np

from nodeday.arrays import Floats, Singles
from nodeday.repair.context import Context

HOLD, HOLD_NOISE = 0.0005, 0.1
"""How firmly: a share of the context's mean square, and of what the nearest stretch leaves of it. Choices of
this project; a third or three times as much hardly changes what is found."""


def in_common(
    context: Context, piece: Singles, amplitude: Floats, level: Floats, slope: Floats, cross: Floats
) -> Floats:
    """What two stretches both leave of the context, as a share of its mean square: (g, places, places), on
    whose diagonal stands what :func:`nodeday.repair.context.misfit` says of each.

    ``piece`` (g, places, s) lies over the context (g, s); the others (g, places) are its fit.
    """
    total = np.maximum(context.total.astype(np.float64), 1e-9)[:, :, None]
    both = ((piece * context.weight[:, None]) @ piece.transpose(0, 2, 1)).astype(np.float64)
    both -= level[:, :, None] * level[:, None] + slope[:, :, None] * slope[:, None]
    own = amplitude * cross
    both *= amplitude[:, :, None] * amplitude[:, None]
    return np.asarray(1 + (both - own[:, :, None] - own[:, None]) / total, np.float64)


def blend(share: Floats, common: Floats, least: Floats) -> Floats:
    """Weights (g, places) of sum 1, some of which may be negative, near ``share`` (g, places) and 0 where
    that is 0; ``least`` (g,) is what the nearest stretch leaves."""
    root = np.sqrt(share)
    hold = HOLD + HOLD_NOISE * least
    pulled = root[:, :, None] * common * root[:, None]
    pulled += hold[:, None, None] * np.eye(share.shape[1])
    weight = root * np.linalg.solve(pulled, root[..., None])[..., 0]
    return np.asarray(weight / np.maximum(weight.sum(axis=1, keepdims=True), 1e-12), np.float64)
