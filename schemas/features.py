"""The catalogue of features: the values that the column ``feature`` of ``epochs`` may take."""

from __future__ import annotations

from nodeday.schemas.declare import Feature
from nodeday.schemas.heart_features import HEART

FEATURES = (
    *HEART,
    Feature(
        "enmo_mg",
        "mg",
        "intensity of movement",
        "mean(max(|a| - 1 g, 0)) over received samples",
        "van Hees et al. 2013, from memory",
        "the study's least coverage; received samples only",
    ),
    Feature(
        "mad_mg",
        "mg",
        "intensity of movement, free of a constant offset",
        "mean(|r - mean(r)|), r = |a|, in windows of about 6 s; their mean over received samples",
        "Vähä-Ypyä et al. 2015, doi 10.1371/journal.pone.0134813; formula from memory",
        "the study's least coverage; received samples only",
    ),
    Feature(
        "vector_magnitude_mg",
        "mg",
        "mean vector magnitude, gravity included",
        "mean(|a|) over received samples",
        "definition",
        "the study's least coverage; received samples only",
    ),
    *(
        Feature(
            f"elevation_{axis}_deg",
            "deg",
            f"angle of the {axis} axis over the horizontal",
            f"mean over seconds of atan2(a_{axis}, norm of the others), of the 5 s median of a",
            "van Hees et al. 2015, from memory",
            "the study's least coverage; fills of up to 100 ms may help",
        )
        for axis in "xyz"
    ),
    Feature(
        "inclination_deg",
        "deg",
        "angle between the body part and its upright",
        "mean over seconds of acos(a_up / |a|), of the 5 s median of a",
        "definition",
        "motion.mounting of the placement in study.yaml, and the study's least coverage",
    ),
    *(
        Feature(
            f"{name}_share",
            "1",
            f"share of the epoch's known seconds in which {what}",
            formula,
            "a choice of this project",
            "motion.mounting of the placement, a node that is worn, and the study's least coverage",
        )
        for name, what, formula in (
            ("upright", "the body part is upright", "inclination < 30 deg"),
            ("leaning", "it leans", "30 deg <= inclination < 60 deg"),
            (
                "level",
                "it is level: a trunk that lies or is bent over, a thigh that sits or lies",
                "inclination >= 60 deg",
            ),
            ("face_up", "a level trunk faces up", "level, front up, and more so than either side"),
            (
                "face_down",
                "a level trunk faces down: prone or bent over",
                "level, front down, and more so than either side",
            ),
            ("left_side", "a level trunk lies on its left", "level, left side down more than front or back"),
            (
                "right_side",
                "a level trunk lies on its right",
                "level, right side down more than front or back",
            ),
        )
    ),
    Feature(
        "walking_share",
        "1",
        "share of the epoch's known windows of about 6 s that hold walking or running",
        "autocorrelation of |a| at a step or stride >= 0.4 and standard deviation of |a| >= 26.7 mg",
        "a choice of this project; 26.7 mg a published threshold for the waist, from memory",
        "a window of at least 4 s, and the study's least coverage; any movement in a steady beat counts",
    ),
    Feature(
        "cadence_step_min",
        "step/min",
        "steps a minute while walking",
        "60 / step period, from the masked unbiased autocorrelation of |a|; a limb's period is the stride",
        "a choice of this project after published peak methods",
        "walking in the epoch",
    ),
    Feature(
        "nonwear",
        "1",
        "whether the node was not worn: 1 not worn, 0 worn",
        "in an hour two axes have a standard deviation < 13 mg and a range < 50 mg; steps of 15 min",
        "van Hees et al. 2011 and 2013, from memory",
        "enough received in the hours around the epoch; what was lost is never non-wear",
    ),
    *(
        Feature(
            f"{name}_share",
            "1",
            f"share of the epoch's known windows {what}",
            "hip: MAD of 6 s against 91 and 414 mg; wrist: ENMO of 1 s against 100.6 and 428.8 mg",
            "adults. Hip: Vähä-Ypyä et al. 2015, doi 10.1371/journal.pone.0134813; wrist (non-dominant): "
            "Hildebrand et al. 2014, from memory",
            "a placement with a published cut-point (hip, wrist), a node that is worn, and the study's "
            "least coverage",
        )
        for name, what in (
            ("below_3_met", "below 3 MET"),
            ("met_3_to_6", "from 3 to below 6 MET"),
            ("above_6_met", "from 6 MET"),
        )
    ),
    Feature(
        "walking_heart_rate_bpm",
        "bpm",
        "mean heart rate of an epoch that the node walks",
        "heart_rate_bpm where walking_share >= 0.8; channel names the ECG node",
        "a choice of this project",
        "heart rate and walking share in the same epoch",
    ),
    Feature(
        "still_heart_rate_bpm",
        "bpm",
        "mean heart rate of an epoch in which the node is still",
        "heart_rate_bpm where walking_share = 0 and mad_mg < 15; channel names the ECG node",
        "a choice of this project",
        "heart rate and walking share in the same epoch",
    ),
    Feature(
        "beats_per_step",
        "1",
        "heartbeats for each step of an epoch that the node walks",
        "heart_rate_bpm / cadence_step_min where walking_share >= 0.8; channel names the ECG node",
        "a choice of this project",
        "heart rate and walking share in the same epoch",
    ),
    Feature(
        "mean",
        "mixed",
        "mean of any other stream",
        "mean over received samples",
        "definition",
        "the study's least coverage",
    ),
    Feature(
        "spread",
        "mixed",
        "standard deviation of any other stream",
        "standard deviation (n - 1) over received samples",
        "definition",
        "two received samples and the study's least coverage",
    ),
    Feature(
        "slope",
        "mixed/min",
        "trend of any other stream within the epoch",
        "slope of the least-squares line over received samples",
        "definition",
        "three received samples and the study's least coverage",
    ),
    Feature(
        "rate_of_change",
        "mixed/min",
        "change of any other stream from epoch to epoch",
        "(mean of this epoch - mean of the one before) / length of an epoch",
        "definition",
        "a mean in this epoch and in the one before",
    ),
)

BARRED = frozenset(
    {
        "heart_rate_bpm",
        "heart_rate_max_pct",
        "heart_rate_reserve_pct",
        "rmssd_ms",
        "pnn50_pct",
        "sd1_ms",
        "sdnn_ms",
        "sd2_ms",
        "vlf_ms2",
        "lf_ms2",
        "hf_ms2",
    }
)
"""Features with error bars for what was lost."""
JOINT = {
    "walking_heart_rate_bpm": ("walking_share",),
    "still_heart_rate_bpm": ("walking_share", "mad_mg"),
    "beats_per_step": ("walking_share", "cadence_step_min"),
}
"""Features whose ``channel`` names an ECG node. Each is made of ``heart_rate_bpm`` of that node and of these
features of the node, in the same epoch."""
FEATURE_CODES = {feature.name: feature.meaning for feature in FEATURES}
FEATURE = {feature.name: feature for feature in FEATURES}
