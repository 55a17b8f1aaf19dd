"""What is measured of calibrated samples, window by window; all features rest on it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from nodeday.core.arrays import Floats, Ints
from nodeday.stages.features.motion import cadence, intensity, posture
from nodeday.stages.features.motion.blocks import EpochBlock
from nodeday.stages.features.motion.nonwear import Sums
from nodeday.stages.features.motion.subwindows import count, ruler, total
from nodeday.stages.features.windows import ratio


@dataclass(frozen=True)
class MotionMeasures:
    """Of each epoch (e,) its ``rows``, lost ones too, how many were received (``held``), and the sums over
    those of the vector magnitude and of what of it is above gravity; of each window of 6 s (k,) how many
    were received (``got``), how many are ``usable``, the MAD and the cadence; of each second the mean
    acceleration (s, 3); of each window that intensity bands are told from (b,), none where no cut-point was
    published, the received samples and their metric; and of each block what wear is told from.
    """

    rows: Ints
    held: Floats
    norm_g: Floats
    above_mg: Floats
    got: Floats
    usable: Floats
    mad_mg: Floats
    cadence: Floats
    second_g: Floats
    band_got: Floats
    band_mg: Floats
    wear: Sums

    @classmethod
    def of(cls, block: EpochBlock, placement: str) -> MotionMeasures:
        """Those of one block."""
        windows, heard, limb = block.windows, block.heard, cadence.is_limb(placement)
        epoch, six, second = (ruler(windows, each) for each in (windows.seconds, cadence.WINDOW_S, 1.0))
        own, in_epoch, in_six = heard.received, epoch.places(heard.utc_ns), six.places(heard.utc_ns)
        usable, every_six = block.usable, six.places(block.utc_ns)
        return cls(
            rows=np.diff(epoch.places(block.utc_ns)),
            held=count(own, in_epoch),
            norm_g=total(heard.norm_g, own, in_epoch),
            above_mg=total(intensity.above_gravity_mg(heard.norm_g), own, in_epoch),
            got=count(own, in_six),
            usable=count(usable, every_six),
            mad_mg=intensity.mad_mg(heard.norm_g, own, in_six),
            cadence=cadence.steps(block.norm_g, usable, block.utc_ns, every_six, block.rate_hz, limb),
            second_g=posture.second_means(block.axes, usable, second.places(block.utc_ns), block.rate_hz),
            **_of_bands(heard, placement),
            wear=Sums.of(heard.axes, own, in_epoch[[0, -1]]),
        )

    @classmethod
    def joined(cls, parts: list[MotionMeasures]) -> MotionMeasures:
        """Those of blocks one after the other."""
        sums = Sums.joined([part.wear for part in parts])
        names = [each.name for each in fields(cls) if each.name != "wear"]
        columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
        return cls(**columns, wear=sums)


def _of_bands(block: EpochBlock, placement: str) -> dict[str, Floats]:
    points = intensity.cut_points_of(placement)
    if points is None:
        return {"band_got": np.zeros(0), "band_mg": np.zeros(0)}
    places = ruler(block.windows, points.seconds).places(block.utc_ns)
    got = count(block.received, places)
    if points.metric == "mad":
        metric = intensity.mad_mg(block.norm_g, block.received, places)
    else:
        above = intensity.above_gravity_mg(block.norm_g)
        metric = ratio(total(above, block.received, places), got)
    return {"band_got": got, "band_mg": metric}
