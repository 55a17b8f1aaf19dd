"""The catalogue of features: the values that the column ``feature`` of ``epochs`` may take."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Feature:
    """A feature of an epoch: unit, meaning, formula and source, and what it needs to be valid."""

    name: str
    unit: str
    meaning: str
    formula: str
    source: str
    needs: str


FEATURES = (
    Feature(
        "heart_rate_bpm", "bpm", "mean heart rate",
        "60000 / mean(RR), RR in ms, over normal intervals and intervals of beats in fills",
        "Task Force of the ESC and NASPE 1996 (mean of NN intervals), from memory",
        "two intervals and the study's least coverage",
    ),
    Feature(
        "rmssd_ms", "ms", "short-term variability of the heart period",
        "sqrt(mean((RR[i+1] - RR[i])^2)) over pairs of adjacent normal intervals",
        "Task Force of the ESC and NASPE 1996, from memory",
        "ten pairs of adjacent normal intervals and the study's least coverage",
    ),
    Feature(
        "beats", "beat", "R peaks found, those inside fills included",
        "count of R peaks", "definition", "the study's least coverage",
    ),
    Feature(
        "enmo_mg", "mg", "intensity of movement",
        "mean(max(|a| - 1 g, 0)) over received samples",
        "van Hees et al. 2013, from memory",
        "the study's least coverage; received samples only",
    ),
    Feature(
        "mean", "mixed", "mean of any other stream", "mean over received samples", "definition",
        "the study's least coverage",
    ),
    Feature(
        "spread", "mixed", "standard deviation of any other stream",
        "standard deviation (n - 1) over received samples", "definition",
        "two received samples and the study's least coverage",
    ),
)  # fmt: skip

FEATURE_CODES = {feature.name: feature.meaning for feature in FEATURES}
FEATURE = {feature.name: feature for feature in FEATURES}
