"""The motion features of an acceleration stream."""

from __future__ import annotations

import numpy as np

from nodeday.features.motion.intensity import enmo_mg
from nodeday.features.stream import Feature, Stream
from nodeday.features.windows import ratio


def features_of(stream: Stream) -> list[Feature]:
    """Motion features of every epoch, from received samples alone."""
    got, windows = stream.received, stream.windows
    vector = np.stack([axis["value"].to_numpy(np.float64)[got] for axis in stream.channels], axis=1)
    utc = stream.utc_ns[got]
    enmo = ratio(windows.sums(utc, enmo_mg(vector)), windows.sums(utc))
    return [stream.feature("enmo_mg", enmo)]
