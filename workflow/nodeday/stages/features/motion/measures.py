"""Measures of calibrated samples, window by window; all motion features rest on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.features.motion import cadence, intensity, posture
from nodeday.stages.features.motion.blocks import EpochBlock
from nodeday.stages.features.motion.nonwear import AxisSums
from nodeday.stages.features.motion.subwindows import count, sub_windows, total
from nodeday.stages.features.windows import ratio


@dataclass(frozen=True)
class MotionMeasures:
    """Measures of a stream of acceleration.

    Of each epoch (e,): its ``rows``, lost ones too, how many were ``received``, and the sums over those of
    the vector magnitude (``norm_g``) and of its part above gravity (``above_mg``). Of each window of 6 s
    (k,): how many samples were received, how many are usable, the MAD and the cadence. Of each second: the
    mean acceleration (s, 3). Of each window of the intensity bands (i,), none where no cut-point was
    published: the received samples and the metric. Of each block: the sums that show whether the node moved.
    """

    rows: Ints
    received: Floats
    norm_g: Floats
    above_mg: Floats
    window_received: Floats
    window_usable: Floats
    mad_mg: Floats
    cadence: Floats
    second_g: Floats
    band_received: Floats
    band_mg: Floats
    wear: AxisSums

    @classmethod
    def of(cls, block: EpochBlock, placement: str) -> MotionMeasures:
        """Measure one block of a node of this ``placement``."""
        windows, samples = block.windows, block.received_only
        epoch, six, second = (
            sub_windows(windows, seconds) for seconds in (windows.seconds, cadence.WINDOW_S, 1.0)
        )
        received, usable = samples.received, block.usable
        of_epoch, of_six = epoch.edges_among(samples.utc_ns), six.edges_among(samples.utc_ns)
        of_six_filled, of_second = six.edges_among(block.utc_ns), second.edges_among(block.utc_ns)
        return cls(
            rows=np.diff(epoch.edges_among(block.utc_ns)),
            received=count(received, of_epoch),
            norm_g=total(samples.norm_g, received, of_epoch),
            above_mg=total(intensity.above_gravity_mg(samples.norm_g), received, of_epoch),
            window_received=count(received, of_six),
            window_usable=count(usable, of_six_filled),
            mad_mg=intensity.mad_mg(samples.norm_g, received, of_six),
            cadence=cadence.steps_per_minute(
                block.norm_g, usable, block.utc_ns, of_six_filled, block.rate_hz, cadence.on_limb(placement)
            ),
            second_g=posture.second_means(block.axes, usable, of_second, block.rate_hz),
            **_of_bands(samples, placement),
            wear=AxisSums.of(samples.axes, received, of_epoch[[0, -1]]),
        )

    @classmethod
    def joined(cls, parts: list[MotionMeasures]) -> MotionMeasures:
        """Return the measures of blocks one after the other."""
        wear = AxisSums.joined([part.wear for part in parts])
        names = [field.name for field in fields(cls) if field.name != "wear"]
        columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
        return cls(**columns, wear=wear)

    @classmethod
    def merged(cls, parts: Sequence[MotionMeasures], weights: Sequence[float]) -> MotionMeasures:
        """Return the measures of one stream from those of each of its rates.

        Sums over an epoch are added by the time that their samples stand for: ``weights`` are samples of the
        first rate for one of each. What a short window tells as a whole comes from the rate that filled more
        of it, with the samples of that rate alone.
        """
        if len(parts) == 1:
            return parts[0]

        def added(name: str) -> Floats:
            of_parts = [w * getattr(part, name) for part, w in zip(parts, weights, strict=True)]
            return np.asarray(np.sum(of_parts, axis=0), np.float64)

        def fuller(by: str, *names: str) -> dict[str, Floats]:
            filled = np.stack([w * getattr(part, by) for part, w in zip(parts, weights, strict=True)])
            lead = filled.argmax(axis=0)
            others = {name: np.choose(lead, [getattr(part, name) for part in parts]) for name in names}
            return {by: filled.max(axis=0), **others}

        known = [np.isfinite(part.second_g[:, :1]) for part in parts]
        return cls(
            rows=parts[0].rows,
            **{name: added(name) for name in ("received", "norm_g", "above_mg")},
            **fuller("window_received", "mad_mg"),
            **fuller("window_usable", "cadence"),
            **fuller("band_received", "band_mg"),
            second_g=np.select(known, [part.second_g for part in parts], np.nan),
            wear=AxisSums.added([part.wear for part in parts], weights),
        )


def _of_bands(block: EpochBlock, placement: str) -> dict[str, Floats]:
    """Return ``band_received`` and ``band_mg`` (i,) of a block of received samples."""
    points = intensity.cut_points_of(placement)
    if points is None:
        return {"band_received": np.zeros(0), "band_mg": np.zeros(0)}
    edges = sub_windows(block.windows, points.seconds).edges_among(block.utc_ns)
    received = count(block.received, edges)
    if points.metric == "mad":
        metric = intensity.mad_mg(block.norm_g, block.received, edges)
    else:
        above = intensity.above_gravity_mg(block.norm_g)
        metric = ratio(total(above, block.received, edges), received)
    return {"band_received": received, "band_mg": metric}
