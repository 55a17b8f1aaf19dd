"""Features of the heart, for the catalogue in :mod:`nodeday.schemas.features`."""

from __future__ import annotations

from nodeday.schemas.declare import Feature

TASK_FORCE = "Task Force of the ESC and NASPE 1996, from memory"
POINCARE = "Brennan, Palaniswami and Kamen 2001, from memory"
REGULAR = "beats that are not too irregular (reason irregular)"
SHORT = "twenty seconds of normal intervals, ten adjacent pairs, the heart section's limits, " + REGULAR
LONG = "two minutes of normal intervals, ten adjacent pairs, the heart section's limits, " + REGULAR
SPECTRUM = "integral of Lomb's periodogram of the intervals that count, straight line removed, over {} Hz"
INDIVIDUALS = "individuals differ from the predicted maximum by about 10 bpm: for groups, not for one person"

HEART = (
    Feature(
        "heart_rate_bpm",
        "bpm",
        "mean heart rate",
        "60000 n / T: n intervals that count for rate, by the share of each that lies in the epoch, over the "
        "time T ms that these take",
        "60000 / mean(RR); shares of intervals as in Berger et al. 1986, from memory",
        "two intervals and the study's least coverage",
    ),
    Feature(
        "beats",
        "beat",
        "R peaks found, those inside fills included",
        "count of R peaks",
        "definition",
        "the study's least coverage and a signal with a heart in it",
    ),
    Feature(
        "heart_rate_max_pct",
        "%",
        "heart rate as a share of the maximum that the age predicts",
        "100 HR / (208 - 0.7 age)",
        "Tanaka, Monahan and Seals 2001",
        f"a heart rate and the participant's age; {INDIVIDUALS}",
    ),
    Feature(
        "heart_rate_reserve_pct",
        "%",
        "share of the heart-rate reserve in use",
        "100 (HR - rest) / (208 - 0.7 age - rest)",
        "Karvonen 1957 with the maximum of Tanaka 2001",
        f"a heart rate, the participant's age and resting rate; {INDIVIDUALS}",
    ),
    Feature(
        "rmssd_ms",
        "ms",
        "short-term variability of the heart period",
        "sqrt(mean((RR[i+1] - RR[i])^2)) over pairs of adjacent intervals that count",
        TASK_FORCE,
        SHORT,
    ),
    Feature(
        "pnn50_pct",
        "%",
        "share of successive differences above 50 ms",
        "100 count(|RR[i+1] - RR[i]| > 50 ms) / pairs",
        TASK_FORCE,
        SHORT,
    ),
    Feature(
        "sd1_ms",
        "ms",
        "width of the Poincare plot across its diagonal",
        "sqrt(var(RR[i+1] - RR[i]) / 2)",
        POINCARE,
        SHORT,
    ),
    Feature(
        "sdnn_ms",
        "ms",
        "spread of the heart period",
        "standard deviation (n - 1) of intervals that count",
        TASK_FORCE,
        LONG,
    ),
    Feature(
        "sd2_ms",
        "ms",
        "length of the Poincare plot along its diagonal",
        "sqrt(2 SDNN^2 - SD1^2)",
        POINCARE,
        LONG,
    ),
    Feature(
        "vlf_ms2",
        "ms2",
        "power of the heart period at very low frequencies",
        SPECTRUM.format("0.0033 to 0.04"),
        TASK_FORCE,
        f"four and a half minutes of normal intervals; the heart section's limits, {REGULAR}",
    ),
    Feature(
        "lf_ms2",
        "ms2",
        "power of the heart period at low frequencies",
        SPECTRUM.format("0.04 to 0.15"),
        TASK_FORCE,
        f"two minutes of normal intervals; the heart section's limits, {REGULAR}",
    ),
    Feature(
        "hf_ms2",
        "ms2",
        "power of the heart period at high frequencies",
        SPECTRUM.format("0.15 to 0.4"),
        TASK_FORCE,
        f"one minute of normal intervals; the heart section's limits, {REGULAR}",
    ),
    Feature(
        "respiration_rate",
        "breath/min",
        "breaths, derived from the ECG",
        "peak of the weighted mean of the spectra, times frequency, of baseline, R amplitude and interval, "
        "0.1 to 0.7 Hz",
        "modulations as in Charlton et al. 2016; the fusion is this project's",
        "half a minute of normal intervals, two modulations that agree or one that is clear, less than half "
        "the heart rate",
    ),
    Feature(
        "ectopic_pct",
        "%",
        "share of the beats that come too early",
        "100 (ectopic intervals shorter than the median of the 24 around) / (intervals between measured "
        "beats that count for rate)",
        "rule for odd intervals after Xu and Schuckers 2001; seen in one lead, by time alone",
        "ten such intervals; a beat between two usual ones may be false and is not counted",
    ),
    Feature(
        "longest_rr_ms",
        "ms",
        "longest interval between two beats, pauses included",
        "max(RR) over intervals between measured beats that count for rate and end in the epoch",
        "definition",
        "two intervals and the study's least coverage; an interval over lost or unclear signal is no pause",
    ),
    *(
        Feature(
            f"heart_rate_{name}_bpm",
            "bpm",
            f"{which} heart rate over ten seconds",
            f"{formula} of heart_rate_bpm over the ten seconds from each second of the epoch on",
            "a choice of this project",
            "an epoch of ten seconds or more; beats seen in eight of the ten, all good for rate",
        )
        for name, which, formula in (("low", "lowest", "min"), ("high", "highest", "max"))
    ),
    Feature(
        "irregularity",
        "1",
        "coefficient of sample entropy of the intervals; sinus rhythm about -2, no pattern above -1",
        "-ln(A / B) + ln(2 r) - ln(mean RR), r = 30 ms: A of the B pairs of intervals alike within r "
        "are followed by a pair that is; over five minutes around the epoch",
        "Lake and Moorman 2011, from memory",
        "five such pairs A; at -1.4 or more, with a tenth of the intervals ectopic or artefact, "
        "variability is null",
    ),
)
