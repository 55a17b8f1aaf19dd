"""Advice for the next session on addresses, clocks, electrodes, wear, calibration; as in :mod:`.advice`."""

from __future__ import annotations

import numpy as np

from nodeday.stages.report.advice import (
    NOT_WORN,
    SKEW_PPM,
    SPOILED,
    WANDER_PPM,
    Advice,
    AdviceTables,
    returning,
)
from nodeday.stages.report.words import listed, number, percent, times


def shared_addresses(session: AdviceTables) -> list[Advice]:
    """Advise on addresses behind which several senders seem to stand."""
    return [
        Advice(
            "address",
            (node,),
            "Look for a second device with its address, and give each device an address of its own.",
            f"Its frames go back to an earlier boot {times(often)}: several senders seem to share its "
            "address, or it sends frames that it stored before a restart.",
            "coverage",
        )
        for node, often in returning(session).items()
    ]


def unlike_clocks(session: AdviceTables) -> list[Advice]:
    """Advise on crystals far from nominal or unsteady, and on nodes whose ticks jumped."""
    found = []
    for node, knots in session.clock.groupby("node", observed=True, sort=False):
        fitted = knots.loc[knots["status"] == "fitted", "skew_ppm"].to_numpy(np.float64)
        if not fitted.size:
            continue
        middle = float(np.median(fitted))
        low, high = (float(v) for v in np.quantile(fitted, [0.05, 0.95]))
        if abs(middle) > SKEW_PPM:
            why = f"Its crystal runs {number(middle, 1, True)} ppm off nominal."
        elif high - low > 2 * WANDER_PPM:
            why = f"Its crystal wandered from {number(low, 1, True)} to {number(high, 1, True)} ppm."
        else:
            continue
        found.append(_unlike(node, why))
    jumps = session.steps[session.steps["kind"] == "node_step"]
    for node, jumped in jumps.groupby("node", observed=True, sort=False):
        found.append(_unlike(node, f"Its ticks jumped {times(len(jumped))} while no other clock did."))
    return found


def _unlike(node: object, why: str) -> Advice:
    return Advice("clock_unlike", (str(node),), "Swap it, and try its clock on the bench.", why, "drift")


def uncertain_clocks(session: AdviceTables) -> list[Advice]:
    """Advise on nodes whose time is less certain than the study's limit."""
    limit = session.limits.max_clock_uncertainty_ms
    worst = session.clock.groupby("node", observed=True)["uncertainty_ms"].max()
    over = worst[worst > limit]
    if over.empty:
        return []
    node = str(over.idxmax())
    by_hand = bool((session.clock["status"] == "start_by_hand").any())
    do = (
        "Let the logger write host marks: without them the written start is all there is."
        if by_hand
        else "Let hub and logger overlap for longer: begin ten minutes before the session and end ten after, "
        "with host marks all the way."
    )
    return [
        Advice(
            "clock_uncertain",
            tuple(str(n) for n in over.index),
            do,
            f"The time of {node} is certain to ±{number(float(over.max()), 1)} ms; the limit is "
            f"±{limit:g} ms.",
            "uncertainty",
        )
    ]


def movements(session: AdviceTables) -> list[Advice]:
    """Advise on clocks that shared movements contradict, and on pairs that none could check."""
    rows = session.agreement.astype({"verdict": str, "node": str, "other": str})
    wrong = rows[rows["verdict"].isin(["disagrees", "corrected"])]
    found = [
        Advice(
            "clocks_disagree",
            (row["node"], row["other"]),
            "Try both clocks on the bench before they "
            "are worn again, and note three taps on all nodes at start and end.",
            f"Shared movements put {row['other']} {number(row['offset_ms'], 1, True)} ms after "
            f"{row['node']}; the clocks claim ±{number(row['clock_ms'], 1)} ms.",
            "shared",
        )
        for row in wrong.to_dict("records")
    ]
    unchecked = rows[rows["verdict"] == "no_movement"]
    if len(unchecked):
        pairs = listed([f"{row['node']} and {row['other']}" for row in unchecked.to_dict("records")])
        found.append(
            Advice(
                "no_movement",
                tuple(dict.fromkeys([*unchecked["node"], *unchecked["other"]])),
                "Tap all accelerometers three times together, or jump, at start and end, and note when.",
                f"No shared movement checks the clocks of {pairs}.",
                "shared",
            )
        )
    return found


def electrodes(session: AdviceTables) -> list[Advice]:
    """Advise on ECG that was received and yet is of no use, because of a lead off or of noise."""
    found = []
    rows = session.quality[session.quality["coverage"] > 0]
    for node, epochs in rows.groupby("node", observed=True, sort=False):
        off = float(epochs["lead_off"].mean())
        bad = float((epochs["use"] == "none").mean())
        if off >= SPOILED:
            found.append(
                Advice(
                    "electrode",
                    (str(node),),
                    "New electrodes on cleaned, dry skin, and a loop of cable taped down as strain relief.",
                    f"A lead was off for {percent(off)} of what was received.",
                    "worst",
                )
            )
        elif bad >= SPOILED:
            found.append(
                Advice(
                    "electrode",
                    (str(node),),
                    "New electrodes on rubbed skin, further from working muscle; tape the cable down.",
                    f"{percent(bad)} of the ECG received is too noisy to count beats in.",
                    "heart_rate_bpm",
                )
            )
    return found


def wear(session: AdviceTables) -> list[Advice]:
    """Advise on nodes that were not worn; ``nonwear`` is 1 for an epoch not worn, 0 for one worn."""
    share = session.nonwear.groupby("node", observed=True)["value"].mean().dropna()
    return [
        Advice(
            "not_worn",
            (str(node),),
            "Fix it better, and note when it is taken off and why.",
            f"Not worn for {percent(float(not_worn))} of the epochs that tell.",
            "motion",
        )
        for node, not_worn in share.items()
        if not_worn >= NOT_WORN
    ]


def calibration(session: AdviceTables) -> list[Advice]:
    """Advise on accelerometers without coefficients, and on records that fit worse than none."""
    rows = session.calibration.astype({"node": str})
    worse = rows[rows["note"] == "worse_than_raw"]
    found = [
        Advice(
            "calibration",
            (row["node"],),
            "Is it the device of the record? Repeat its bench.",
            f"Still windows are {number(row['residual_after_mg'])} mg off 1 g with the record, "
            f"{number(row['residual_before_mg'])} mg without.",
            "motion",
        )
        for row in worse.to_dict("records")
    ]
    plain = rows[rows["method"] == "none"]
    if len(plain):
        why = dict.fromkeys(plain["note"].dropna().astype(str))
        reasons = {
            "few_still": "too little stillness",
            "sphere_not_covered": "too few postures",
            "residual_too_large": "still windows that fit no sphere",
        }
        found.append(
            Advice(
                "calibration",
                tuple(plain["node"]),
                "Lay each still in six positions before the day, and file the bench record (nodeday bench).",
                f"No calibration for {listed(list(plain['node']))}: "
                f"{listed([reasons.get(w, w) for w in why])}.",
                "motion",
            )
        )
    return found
