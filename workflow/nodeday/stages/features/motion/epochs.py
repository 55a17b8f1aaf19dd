"""Motion of one acceleration stream: calibrated first, then the features of every epoch and the bouts."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain

import numpy as np

from nodeday.config.device_records import Calibration
from nodeday.config.models import Mounting
from nodeday.core.arrays import Bools, Floats, Ints
from nodeday.stages.features.motion import cadence, intensity, nonwear, posture
from nodeday.stages.features.motion.blocks import blocks
from nodeday.stages.features.motion.bouts import Bouts, bouts_of
from nodeday.stages.features.motion.calibrate import (
    NodeCalibration,
    Temperature,
    calibrated,
    choose_calibration,
)
from nodeday.stages.features.motion.measures import MotionMeasures
from nodeday.stages.features.motion.subwindows import SubWindows, sub_windows
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
    """Motion of a stream: its calibration, features and bouts of walking.

    Also how many ``rows`` the stream has, and how many of them were ``received``.
    """

    calibration: NodeCalibration
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
    """Return calibration, features and bouts of ``source``; intensities from received samples alone.

    The source is read twice for each of its rates, so that it is never in memory as a whole.
    """
    windows, epochs = source.windows, nonwear.epochs_of(source.windows.seconds)
    least, placement = source.settings.min_coverage, source.node.placement
    sources = source.by_rate()
    every = chain.from_iterable(blocks(one, epochs) for one in sources)
    calibration = choose_calibration(every, windows, least, bench, temperature)
    of_rates = [
        MotionMeasures.joined(
            [
                MotionMeasures.of(calibrated(block, calibration, temperature), placement)
                for block in blocks(one, epochs)
            ]
        )
        for one in sources
    ]
    measures = MotionMeasures.merged(of_rates, [source.rate_hz / one.rate_hz for one in sources])
    stream, seconds = source.epochs(measures.received), windows.seconds
    worn = nonwear.wear(measures.wear, measures.rows, seconds, stream.rate_hz, least)
    walking, bouts = _walking(stream, measures)
    features = [
        *_intensities(stream, measures),
        *_bands(stream, measures, worn),
        *walking,
        *_directions(stream, measures, worn, mounting),
        _nonwear(stream, worn),
    ]
    received = sum(int(one.received.sum()) for one in of_rates)
    return Motion(calibration, features, bouts, int(measures.rows.sum()), received)


def _intensities(stream: EpochSource, measures: MotionMeasures) -> list[FeatureValues]:
    """Return ENMO, MAD and vector magnitude; a window's MAD counts by its received samples."""
    received = measures.window_received
    weighed = np.where(received > 0, np.nan_to_num(measures.mad_mg) * received, 0)
    weighed, received = (each.reshape(stream.windows.count, -1) for each in (weighed, received))
    return [
        stream.feature("enmo_mg", ratio(measures.above_mg, measures.received)),
        stream.feature("mad_mg", ratio(weighed.sum(axis=1), received.sum(axis=1))),
        stream.feature("vector_magnitude_mg", 1000 * ratio(measures.norm_g, measures.received)),
    ]


def _bands(stream: EpochSource, measures: MotionMeasures, worn: Ints) -> list[FeatureValues]:
    """Return the shares of the intensity bands; none where no cut-point was published."""
    points = intensity.cut_points_of(stream.node.placement)
    if points is None:
        return []
    windows = sub_windows(stream.windows, points.seconds)
    known = _known(stream, measures.band_received, windows).reshape(-1, windows.parts)
    shares = intensity.band_shares(measures.band_mg.reshape(-1, windows.parts), known, points)
    names = ("below_3_met_share", "met_3_to_6_share", "above_6_met_share")
    return [_while_worn(stream, name, share, worn) for name, share in zip(names, shares, strict=True)]


def _walking(stream: EpochSource, measures: MotionMeasures) -> tuple[list[FeatureValues], Bouts]:
    """Return the share of walking, its cadence, and the bouts."""
    six = sub_windows(stream.windows, cadence.WINDOW_S)
    known = _known(stream, measures.window_usable, six) & (six.seconds >= cadence.LEAST_S)
    rows: Floats = measures.cadence.reshape(-1, six.parts)
    known_rows: Bools = known.reshape(-1, six.parts)
    walks = (rows > 0) & known_rows
    known_count = known_rows.sum(axis=1).astype(np.float64)
    share = ratio(walks.sum(axis=1).astype(np.float64), known_count)
    mean = ratio(np.where(walks, rows, 0).sum(axis=1), walks.sum(axis=1).astype(np.float64))
    features = [
        stream.feature("walking_share", share, known_count > 0, TOO_FEW_SAMPLES),
        stream.feature("cadence_step_min", mean, np.isfinite(mean), NO_WALKING),
    ]
    return features, bouts_of(six.edges_ns, known, measures.cadence, measures.mad_mg)


def _directions(
    stream: EpochSource, measures: MotionMeasures, worn: Ints, mounting: Mounting | None
) -> list[FeatureValues]:
    """Return the elevation of each axis, the inclination and the postures."""
    seconds = stream.windows.seconds
    gravity = posture.gravity_g(measures.second_g)
    known = np.isfinite(gravity[:, 0])
    enough = np.asarray(known.reshape(-1, seconds).any(axis=1), np.bool_)
    features = [
        stream.feature(f"elevation_{axis}_deg", posture.epoch_means(angle, seconds), enough, TOO_FEW_SAMPLES)
        for axis, angle in zip("xyz", posture.elevations_deg(gravity).T, strict=True)
    ]
    if mounting is None:
        nothing = np.full(stream.windows.count, np.nan)
        return [*features, stream.feature("inclination_deg", nothing, nothing == 0, NO_MOUNTING)]
    tilt = posture.epoch_means(posture.inclination_deg(gravity, mounting.up), seconds)
    features.append(stream.feature("inclination_deg", tilt, enough, TOO_FEW_SAMPLES))
    held = posture.postures(gravity, stream.node.placement, mounting)
    features += [
        _while_worn(stream, name, posture.epoch_shares(mask, known, seconds), worn, enough)
        for name, mask in held.items()
    ]
    return features


def _nonwear(stream: EpochSource, worn: Ints) -> FeatureValues:
    """Return whether the node was not worn, null where that is not known."""
    value = np.where(worn == nonwear.UNKNOWN, np.nan, worn.astype(np.float64))
    return stream.feature("nonwear", value, worn != nonwear.UNKNOWN, TOO_LITTLE_AROUND)


def _while_worn(
    stream: EpochSource, name: str, value: Floats, worn: Ints, enough: Bools | None = None
) -> FeatureValues:
    """Return a feature of the wearer, null while the node was not worn."""
    enough = np.isfinite(value) if enough is None else enough
    reason = np.where(worn == nonwear.NOT_WORN, NOT_WORN, TOO_FEW_SAMPLES)
    return stream.feature(name, value, enough & (worn != nonwear.NOT_WORN), reason)


def _known(stream: EpochSource, samples: Floats, windows: SubWindows) -> Bools:
    """Return which windows (k,) hold enough of the counted ``samples`` (k,)."""
    least = stream.settings.min_coverage * windows.seconds * stream.rate_hz
    return np.asarray(samples >= np.maximum(least, 1), np.bool_)
