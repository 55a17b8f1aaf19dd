"""Every closed list of codes, each code with the sentence that explains it."""

FRAME_STATUS = {
    "good": "arrived in order",
    "duplicate": "a second copy of a frame that is already there",
    "conflict": "the same place in the sequence as another frame, with different content",
    "late": "arrived after a frame that follows it; its loss is retracted",
    "inconsistent": "its counters or its stamp contradict the frames around it; placed by what agrees",
    "unplaced": "of a further capture that shares no frame with the first; its place cannot be known",
}
DISTINCT, SECOND_COPIES = ("good", "late", "inconsistent"), ("duplicate", "conflict")
"""Statuses of frames that are one each in their place of the sequence, and of what repeats such a place."""
REJECT_REASON = {
    "junk": "bytes in which no frame begins",
    "bad_checksum": "a frame's opening and length, but its checksum does not hold",
    "bad_stuffing": "bytes between two delimiters that break the rules of the framing",
    "truncated": "a frame that the end of the capture cuts off",
    "unknown_kind": "a whole frame of a kind that the layout does not describe",
    "implausible": "a whole frame of a node that the session does not list, or of the wrong length",
}
GAP_CAUSE = {
    "radio": "frames lost on the air between frames that arrived",
    "node_restart": "the node restarted; how much it would have sent meanwhile is not known",
    "hub_outage": "all nodes were silent together",
    "end_of_battery": "the node fell silent for good before the session ended",
    "unknown": "no cause can be told",
}
GAP_EXTENT = {
    "known": "the number of lost frames is exact",
    "unknown": "frames were lost, but counters cannot tell how many",
}
GAP_REASON = {
    "restart": "the node's counters began anew",
    "hub_restart": "the hub's clock began anew or jumped, which the counters cannot bridge",
    "hub_or_nodes": "all counters began anew together: the hub restarted, or every node did",
    "counter_restart": "the sequence counter began anew or jumped while the ticks went on; a known "
    "length counts places by ticks, whether or not they were sent",
    "ticks_restart": "the ticks began anew or jumped while the sequence counter went on",
    "nothing_after": "no frame of the stream came after it",
}
SIGNAL_MEASURE = {
    "rssi_dbm": "received signal strength, in dBm",
    "lqi": "link quality as the radio reports it",
}
CLOCK_STATUS = {
    "fitted": "a rate and an offset were fitted to the lower edge of the delays",
    "nominal_rate": "too few frames to fit a rate; the crystal's nominal rate is assumed",
    "start_by_hand": "no host marks; the session's written start anchors the hub's clock",
}
ORIGIN = {
    "measured": "sent by the node and received",
    "recovered": "received in another copy of the capture",
    "interpolated": "computed from the samples around a short gap; never measured",
    "missing": "lost and not filled",
}
QUALITY = {
    "good": "nothing against it",
    "clipped": "at a rail of the converter",
    "flat": "part of a stretch without any change",
    "not_measured": "lost, or filled by computation",
}
RR_STATUS = {
    "normal": "between two measured beats, no gap touched",
    "first": "no beat before it in this stretch",
    "touches_gap": "a beat of the pair lies within 50 ms of lost samples, or lost samples lie between",
    "beat_in_fill": "a beat of the pair lies on computed samples; counts for rate, not for variability",
    "artefact": "differs by more than 20 % from the intervals around it",
    "too_long": "longer than 3 s",
}
BEAT_ORIGIN = {
    "measured": "the R peak lies on measured samples",
    "imputed": "the R peak lies on computed samples",
}
NO_VALUE = {
    "low_coverage": "too small a share of the epoch was received",
    "too_few_beats": "too few normal intervals in the epoch",
    "too_few_samples": "too few received samples in the epoch",
    "no_data": "nothing was received in the epoch",
    "no_clock": "the node's samples could not be placed in time",
}
NODE_VERDICT = {
    "usable": "within every limit of the study",
    "limited": "usable in part: see coverage and exclusions",
    "unusable": "below the study's limits for most of the session",
}
EXCLUSION_RULE = {
    "finished": "a session that is not ready, or that stopped",
    "min_hours": "a session shorter than the study asks for",
    "min_coverage": "a node whose received share is below the study's limit",
    "min_valid_epochs": "a feature that has a value in too small a share of the session's epochs",
    "max_clock_uncertainty": "a node whose time is less certain than the study's limit",
    "calibrated": "a node without calibration coefficients",
    "bench_passed": "a node that has not passed its bench test, or has none on record",
}
FLOW_STEP = {"listed": "all that the study's sheets list", **EXCLUSION_RULE}
RULE_COUNTS = {
    "yes": "it was still there when this rule applied",
    "no": "a rule before had taken it already",
}
PARTICIPANT_STATUS = {
    "included": "at least one session is left, at least in part",
    "excluded": "the rules of the study leave no session",
    "no_session": "the study lists no session",
}
PHASE_SOURCE = {
    "events": "from the event notes",
    "session": "the whole session, since no notes were given",
    "outside": "from the event notes, but nothing was recorded in it",
    "unnoted": "recorded, but no note covers it",
}
NO_PHASE_VALUE = {
    "no_epoch": "no epoch lies in the phase wholly",
    "no_value": "none of its epochs has a value",
}
