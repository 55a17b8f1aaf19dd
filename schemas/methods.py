"""What each stage does to the data, in a sentence, with the published work it rests on."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Method:
    """A step of the chain: the stage, what it does, and the sources it names."""

    stage: str
    what: str
    source: str


METHODS = (
    Method(
        "frames",
        "Frames are found by the layout's framing and checksum; after damage decoding resumes one byte past "
        "the false start. Counters are unwrapped by serial-number arithmetic together with the node's ticks "
        "and the hub's stamps. Copies from further captures are merged by position in the sequence.",
        "RFC 1982, RFC 3550 A.1, RFC 1055, RFC 1662, Cheshire and Baker 1999",
    ),
    Method(
        "loss",
        "Every frame that the counters say was sent and that did not arrive is a lost frame with a cause; "
        "received, lost and unknown add up to what was expected.",
        "Gilbert 1960, RFC 3611, RFC 6958",
    ),
    Method(
        "clock",
        "Each node's ticks are mapped to UTC along the lower edge of the hub's stamps, for each boot by "
        "itself; the constant part of the delay is taken from the layout and not measured.",
        "Moon, Skelly and Towsley 1999",
    ),
    Method(
        "repair",
        "Gaps no longer than the study's policy allows are filled and flagged; all others stay missing. Raw "
        "counts are never altered.",
        "policy of the study",
    ),
    Method(
        "features",
        "Features are computed in epochs of fixed length from received samples; nothing runs across a gap. "
        "An epoch with too small a share of received samples has no value and a reason.",
        "see each feature",
    ),
    Method(
        "study",
        "Rules of inclusion apply in the order in which they stand. A value in a phase is the mean of the "
        "epochs that lie entirely in it; its interval is for epochs without a value, as t s sqrt((1 - m/n) / "
        "m_eff), m of n epochs having one and m_eff = m (1 - r) / (1 + r) for their lag-1 correlation r.",
        "Cochran 1977 and Bayley and Hammersley 1946, from memory",
    ),
)
