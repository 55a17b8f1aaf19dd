"""Motion of one acceleration stream: calibrated first, then the features of every epoch and the bouts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.config.device_records import Calibration
from nodeday.config.models import Mounting
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.motion import cadence, intensity, nonwear, posture
from nodeday.stages.features.motion.blocks import blocks
from nodeday.stages.features.motion.bouts import Bouts, bouts_of
from nodeday.stages.features.motion.calibrate import Chosen, Temperature, calibrated, choose
from nodeday.stages.features.motion.measures import MotionMeasures
from nodeday.stages.features.motion.subwindows import Ruler, ruler
from nodeday.stages.features.stream import EpochSource, FeatureValues, SampleSource
from nodeday.stages.features.windows import (
    NO_MOUNTING,
    NO_WALKING,
    NOT_WORN,
    TOO_FEW_SAMPLES,
    TOO_LITTLE_AROUND,
    ratio,
)


@dataclass(frozen=True)
class Motion:
    """What became of a stream: its calibration, its features, its bouts of walking, how many rows it has, and
    how many of them were received.
    """

    chosen: Chosen
    features: list[FeatureValues]
    bouts: Bouts
    rows: int
    received: int


def motion_of(
    source: SampleSource,
    bench: Calibration | None,
    temperature: Temperature | None,
    mounting: Mounting | None,
) -> Motion:
    """Calibration, features and bouts of ``source``, which is read twice, so that it is never in memory as a
    whole; intensities from received samples alone.
    """
    windows, epochs = source.windows, nonwear.epochs_of(source.windows.seconds)
    least, place = source.settings.min_coverage, source.node.placement
    chosen = choose(blocks(source, epochs), windows, least, bench, temperature)
    found = MotionMeasures.joined(
        [MotionMeasures.of(calibrated(block, chosen, temperature), place) for block in blocks(source, epochs)]
    )
    stream, seconds = source.heard(found.held), windows.seconds
    worn = nonwear.wear(found.wear, found.rows, seconds, stream.rate_hz, least)
    walks, bouts = _walking(stream, found)
    features = [
        *_intensities(stream, found),
        *_bands(stream, found, worn),
        *walks,
        *_directions(stream, found, worn, mounting),
        _nonwear(stream, worn),
    ]
    return Motion(chosen, features, bouts, int(found.rows.sum()), int(found.held.sum()))


def _intensities(stream: EpochSource, found: MotionMeasures) -> list[FeatureValues]:
    got = found.got
    weighed = np.where(got > 0, np.nan_to_num(found.mad_mg) * got, 0).reshape(stream.windows.count, -1)
    return [
        stream.feature("enmo_mg", ratio(found.above_mg, found.held)),
        stream.feature("mad_mg", ratio(weighed.sum(axis=1), found.held)),
        stream.feature("vector_magnitude_mg", 1000 * ratio(found.norm_g, found.held)),
    ]


def _bands(stream: EpochSource, found: MotionMeasures, worn: Ints) -> list[FeatureValues]:
    points = intensity.cut_points_of(stream.node.placement)
    if points is None:
        return []
    windows = ruler(stream.windows, points.seconds)
    known = _known(stream, found.band_got, windows).reshape(-1, windows.parts)
    shares = intensity.shares(found.band_mg.reshape(-1, windows.parts), known, points)
    names = ("below_3_met_share", "met_3_to_6_share", "above_6_met_share")
    return [_while_worn(stream, name, share, worn) for name, share in zip(names, shares, strict=True)]


def _walking(stream: EpochSource, found: MotionMeasures) -> tuple[list[FeatureValues], Bouts]:
    six = ruler(stream.windows, cadence.WINDOW_S)
    known = _known(stream, found.usable, six) & (six.seconds >= cadence.LEAST_S)
    rows: Floats = found.cadence.reshape(-1, six.parts)
    told: Bools = known.reshape(-1, six.parts)
    walks = (rows > 0) & told
    told_of = told.sum(axis=1).astype(np.float64)
    share = ratio(walks.sum(axis=1).astype(np.float64), told_of)
    mean = ratio(np.where(walks, rows, 0).sum(axis=1), walks.sum(axis=1).astype(np.float64))
    features = [
        stream.feature("walking_share", share, told_of > 0, TOO_FEW_SAMPLES),
        stream.feature("cadence_step_min", mean, np.isfinite(mean), NO_WALKING),
    ]
    return features, bouts_of(six.edges_ns, known, found.cadence, found.mad_mg)


def _directions(
    stream: EpochSource, found: MotionMeasures, worn: Ints, mounting: Mounting | None
) -> list[FeatureValues]:
    seconds = stream.windows.seconds
    gravity = posture.gravity_g(found.second_g)
    known = np.isfinite(gravity[:, 0])
    told = np.asarray(known.reshape(-1, seconds).any(axis=1), np.bool_)
    features = [
        stream.feature(f"elevation_{axis}_deg", posture.means(angle, seconds), told, TOO_FEW_SAMPLES)
        for axis, angle in zip("xyz", posture.elevations_deg(gravity).T, strict=True)
    ]
    if mounting is None:
        nothing = np.full(stream.windows.count, np.nan)
        return [*features, stream.feature("inclination_deg", nothing, nothing == 0, NO_MOUNTING)]
    tilt = posture.inclination_deg(gravity, mounting.up)
    features.append(stream.feature("inclination_deg", posture.means(tilt, seconds), told, TOO_FEW_SAMPLES))
    held = posture.postures(gravity, stream.node.placement, mounting)
    features += [
        _while_worn(stream, name, posture.shares(where, known, seconds), worn, told)
        for name, where in held.items()
    ]
    return features


def _nonwear(stream: EpochSource, worn: Ints) -> FeatureValues:
    value = np.where(worn == nonwear.UNKNOWN, np.nan, worn.astype(np.float64))
    return stream.feature("nonwear", value, worn != nonwear.UNKNOWN, TOO_LITTLE_AROUND)


def _while_worn(
    stream: EpochSource, name: str, value: Floats, worn: Ints, told: Bools | None = None
) -> FeatureValues:
    """What speaks of the wearer, and so says nothing while the node lies somewhere."""
    there = np.isfinite(value) if told is None else told
    lacking = np.where(worn == nonwear.NOT_WORN, NOT_WORN, TOO_FEW_SAMPLES)
    return stream.feature(name, value, there & (worn != nonwear.NOT_WORN), lacking)


def _known(stream: EpochSource, held: Floats, windows: Ruler) -> Bools:
    """Which windows (k,) ``held`` (k,) enough samples to tell."""
    least = stream.settings.min_coverage * windows.seconds * stream.rate_hz
    return np.asarray(held >= np.maximum(least, 1), np.bool_)
