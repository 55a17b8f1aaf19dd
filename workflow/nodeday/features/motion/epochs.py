"""Motion of one acceleration stream: calibrated first, then the features of every epoch and the bouts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nodeday.arrays import Bools, Floats, Ints
from nodeday.calibration import Calibration
from nodeday.features.motion import bands, cadence, intensity, nonwear, posture
from nodeday.features.motion.bouts import Bouts, bouts_of
from nodeday.features.motion.calibrate import Chosen, Temperature, choose, corrected_axes
from nodeday.features.motion.ruler import Ruler, count, ruler, total
from nodeday.features.stream import Feature, Stream
from nodeday.features.windows import (
    NO_MOUNTING,
    NO_WALKING,
    NOT_WORN,
    TOO_FEW_SAMPLES,
    TOO_LITTLE_AROUND,
    ratio,
)
from nodeday.sections import Mounting


@dataclass(frozen=True)
class Motion:
    """What became of a stream: its calibration, its features, its bouts of walking."""

    chosen: Chosen
    features: list[Feature]
    bouts: Bouts


@dataclass(frozen=True)
class Signal:
    """Calibrated samples (n,) in order of time, g; ``usable`` adds short fills to ``received``."""

    utc_ns: Ints
    axes: list[Floats]
    norm_g: Floats
    received: Bools
    usable: Bools
    places: Ints


def motion_of(
    stream: Stream, bench: Calibration | None, temperature: Temperature | None, mounting: Mounting | None
) -> Motion:
    """Calibration, features and bouts of ``stream``; intensities from received samples alone."""
    chosen = choose(stream, bench, temperature)
    signal = _signal(stream, chosen, temperature)
    worn = nonwear.wear(
        signal.axes, signal.received, signal.places, stream.windows.seconds, stream.rate_hz,
        stream.settings.min_coverage,
    )  # fmt: skip
    walks, bouts = _walking(stream, signal)
    features = [
        *_intensities(stream, signal), *_bands(stream, signal, worn), *walks,
        *_directions(stream, signal, worn, mounting), _nonwear(stream, worn),
    ]  # fmt: skip
    return Motion(chosen, features, bouts)


def _signal(stream: Stream, chosen: Chosen, temperature: Temperature | None) -> Signal:
    axes, utc, received = corrected_axes(stream, chosen, temperature), stream.utc_ns, stream.received
    computed = (stream.rows["origin"] == "interpolated").to_numpy(np.bool_)
    usable = posture.usable(received, computed, stream.rate_hz)
    if np.any(np.diff(utc) < 0):  # boots may overlap by as much as their clocks are uncertain
        order = np.argsort(utc, kind="stable")
        axes, utc = [axis[order] for axis in axes], utc[order]
        received, usable = received[order], usable[order]
    places = np.searchsorted(utc, ruler(stream.windows, stream.windows.seconds).edges_ns)
    return Signal(utc, axes, intensity.magnitude(*axes), received, usable, places.astype(np.int64))


def _intensities(stream: Stream, signal: Signal) -> list[Feature]:
    held = count(signal.received, signal.places)
    mean = ratio(total(signal.norm_g, signal.received, signal.places), held)
    enmo = ratio(total(intensity.above_gravity_mg(signal.norm_g), signal.received, signal.places), held)
    six = ruler(stream.windows, cadence.WINDOW_S)
    mad = intensity.mad_mg(signal.norm_g, signal.received, six.places(signal.utc_ns))
    got = count(signal.received, six.places(signal.utc_ns))
    weighed = np.where(got > 0, np.nan_to_num(mad) * got, 0).reshape(-1, six.parts).sum(axis=1)
    return [
        stream.feature("enmo_mg", enmo),
        stream.feature("mad_mg", ratio(weighed, held)),
        stream.feature("vector_magnitude_mg", 1000 * mean),
    ]


def _bands(stream: Stream, signal: Signal, worn: Ints) -> list[Feature]:
    points = bands.cut_points_of(stream.node.placement)
    if points is None:
        return []
    windows = ruler(stream.windows, points.seconds)
    known, places = _known(stream, signal.received, signal.utc_ns, windows)
    if points.metric == "mad":
        metric = intensity.mad_mg(signal.norm_g, signal.received, places)
    else:
        above = intensity.above_gravity_mg(signal.norm_g)
        metric = ratio(total(above, signal.received, places), count(signal.received, places))
    shares = bands.shares(metric.reshape(-1, windows.parts), known.reshape(-1, windows.parts), points)
    names = ("below_3_met_share", "met_3_to_6_share", "above_6_met_share")
    return [_while_worn(stream, name, share, worn) for name, share in zip(names, shares, strict=True)]


def _walking(stream: Stream, signal: Signal) -> tuple[list[Feature], Bouts]:
    six = ruler(stream.windows, cadence.WINDOW_S)
    known, places = _known(stream, signal.usable, signal.utc_ns, six)
    known &= six.seconds >= cadence.LEAST_S
    limb = cadence.is_limb(stream.node.placement)
    steps = cadence.steps(signal.norm_g, signal.usable, signal.utc_ns, places, stream.rate_hz, limb)
    mad = intensity.mad_mg(signal.norm_g, signal.received, places)
    rows: Floats = steps.reshape(-1, six.parts)
    told: Bools = known.reshape(-1, six.parts)
    walks = (rows > 0) & told
    told_of = told.sum(axis=1).astype(np.float64)
    share = ratio(walks.sum(axis=1).astype(np.float64), told_of)
    mean = ratio(np.where(walks, rows, 0).sum(axis=1), walks.sum(axis=1).astype(np.float64))
    features = [
        stream.feature("walking_share", share, told_of > 0, TOO_FEW_SAMPLES),
        stream.feature("cadence_step_min", mean, np.isfinite(mean), NO_WALKING),
    ]
    return features, bouts_of(six.edges_ns, known, steps, mad)


def _directions(stream: Stream, signal: Signal, worn: Ints, mounting: Mounting | None) -> list[Feature]:
    seconds = stream.windows.seconds
    second = ruler(stream.windows, 1.0)
    gravity = posture.gravity_g(signal.axes, signal.usable, signal.utc_ns, second, stream.rate_hz)
    known = np.isfinite(gravity[:, 0])
    told = np.asarray(known.reshape(-1, seconds).any(axis=1), np.bool_)
    found = [
        stream.feature(f"elevation_{axis}_deg", posture.means(angle, seconds), told, TOO_FEW_SAMPLES)
        for axis, angle in zip("xyz", posture.elevations_deg(gravity).T, strict=True)
    ]
    if mounting is None:
        nothing = np.full(stream.windows.count, np.nan)
        return [*found, stream.feature("inclination_deg", nothing, nothing == 0, NO_MOUNTING)]
    tilt = posture.inclination_deg(gravity, mounting.up)
    found.append(stream.feature("inclination_deg", posture.means(tilt, seconds), told, TOO_FEW_SAMPLES))
    held = posture.postures(gravity, stream.node.placement, mounting)
    found += [
        _while_worn(stream, name, posture.shares(where, known, seconds), worn, told)
        for name, where in held.items()
    ]
    return found


def _nonwear(stream: Stream, worn: Ints) -> Feature:
    value = np.where(worn == nonwear.UNKNOWN, np.nan, worn.astype(np.float64))
    return stream.feature("nonwear", value, worn != nonwear.UNKNOWN, TOO_LITTLE_AROUND)


def _while_worn(stream: Stream, name: str, value: Floats, worn: Ints, told: Bools | None = None) -> Feature:
    """What speaks of the wearer, and so says nothing while the node lies somewhere."""
    there = np.isfinite(value) if told is None else told
    lacking = np.where(worn == nonwear.NOT_WORN, NOT_WORN, TOO_FEW_SAMPLES)
    return stream.feature(name, value, there & (worn != nonwear.NOT_WORN), lacking)


def _known(stream: Stream, ok: Bools, utc_ns: Ints, windows: Ruler) -> tuple[Bools, Ints]:
    """Which windows (k,) hold enough samples of ``ok`` (n,) to tell, and where they begin (k + 1,)."""
    places = windows.places(utc_ns)
    least = stream.settings.min_coverage * windows.seconds * stream.rate_hz
    return count(ok, places) >= np.maximum(least, 1), places
