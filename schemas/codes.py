"""Every closed list of codes, each code with a phrase that explains it."""

FRAME_STATUS = {
    "good": "arrived in order",
    "duplicate": "a second copy of a frame that was received before",
    "conflict": "the same position in the sequence as another frame, with different content",
    "late": "arrived after a frame that follows it; its loss is retracted",
    "inconsistent": "its counters or its stamp contradict the frames around it; its position is "
    "from what agrees",
    "unplaced": "its position in the sequence cannot be known: its counters fit none of the frames around "
    "it, or it is of a further capture that shares no frame with the first",
}
IN_PLACE, DISTINCT = ("good", "late"), ("good", "late", "inconsistent")
SECOND_COPIES = ("duplicate", "conflict")
FEW_RETURNS = 3
"""Stored frames may take a node back to an earlier boot so often; more are several senders at one address.
A choice of this project."""
"""Statuses of frames whose counters and stamp fit, of frames that stand for a position in the sequence, and
of frames that repeat such a position."""
HUB_RUN_BEGAN = {
    "capture": "the capture begins",
    "fell_back": "the hub's clock fell back by more than 5 s: it started anew",
    "jumped": "the hub's clock jumped ahead: host marks or the nodes' ticks say that less time passed",
    "hub_or_nodes": "the hub or every node restarted, and nothing tells which; hub_run goes on",
}
REJECT_REASON = {
    "junk": "bytes in which no frame begins",
    "bad_checksum": "a frame's opening and length, but its checksum does not hold",
    "bad_stuffing": "bytes between two delimiters that break the rules of the framing",
    "truncated": "a frame that the end of the capture cuts off",
    "unknown_kind": "a complete frame of a kind that the layout does not describe",
    "unknown_node": "a complete frame of an address that the session's nodes do not list",
    "implausible": "a complete frame of the wrong length for its kind; in a layout without a checksum also "
    "one that fits none of the frames around it",
}
GAP_CAUSE = {
    "radio": "frames lost on the air between frames that arrived",
    "node_restart": "the node restarted; how much it would have sent meanwhile is not known",
    "hub_outage": "the hub was off: its own stream was silent together with all nodes, or it restarted",
    "joint_silence": "several nodes were silent together, which independent losses do not explain; the hub's "
    "own stream does not say why",
    "end_of_battery": "the node fell silent for good before the session ended",
    "unknown": "the cause is not known",
    "listed": "on the transmit list before the first or after the last frame received of a boot; nothing "
    "received on both sides tells why it was lost, and it counts as lost on the air",
}
ON_AIR = ("radio", "listed")
"""Causes that count as loss on the air: what is not known to be otherwise."""
LOST_ON_AIR = [f"lost_{cause}" for cause in ON_AIR]
"""Columns of tables ``loss`` and ``radio`` that add up to it."""
GAP_EXTENT = {
    "known": "the number of lost frames is exact",
    "unknown": "frames were lost, but counters cannot tell how many",
}
GAP_REASON = {
    "restart": "the node's counters began anew",
    "hub_restart": "the hub's clock began anew or jumped, which the counters cannot bridge",
    "hub_or_nodes": "all counters began anew together: the hub restarted, or every node did",
    "counter_restart": "the sequence counter began anew or jumped while the ticks went on: counting on does "
    "not explain it; a known length counts positions by ticks, whether or not they were sent",
    "wraps": "the sequence counter may have turned around several times meanwhile, and time cannot tell "
    "how often",
    "ticks_restart": "the ticks began anew or jumped while the sequence counter went on",
    "nothing_after": "no frame of the stream came after it",
}
BATTERY_STATE = {
    "holding": "nothing in the voltage points to an empty battery",
    "giving_way": "at the end the voltage fell at least twice as fast as on the whole, by more than the "
    "converter's steps and noise explain",
    "silent_after_fall": "the voltage of the battery fell, and then the node restarted or fell silent, while "
    "others were received",
}
NO_TIME_LEFT = {
    "silent": "the node had fallen silent by the session's end",
    "too_short": "less than half an hour of voltages",
    "not_falling": "the voltage does not fall, or too slowly to be measured",
}
SIGNAL_MEASURE = {
    "rssi_dbm": "received signal strength, in dBm",
    "lqi": "link quality as the radio reports it",
}
CLOCK_STATUS = {
    "fitted": "a rate and an offset were fitted to the lower edge of the delays",
    "coarse": "no edge shows under the stamps: a straight line, with a band as wide as their least scatter",
    "nominal_rate": "too few frames to fit a rate; the crystal's nominal rate is assumed",
    "by_stamps": "the node sends no ticks and keeps no pace: the hub's stamps alone place its frames, and "
    "how long they waited is not known",
    "start_by_hand": "no host marks; the session's written start anchors the hub's clock",
}
TIME_SOURCE = {
    "node": "the node's own clock, mapped by its frames alone",
    "network": "one time that nodes of a network share, mapped by the frames of all of them",
}
STEP_KIND = {
    "node_restart": "the node's counters began anew",
    "node_step": "the node's ticks jumped while no other clock did",
    "network_step": "the time that all nodes of a network share jumped while no other clock did",
    "hub_restart": "the hub's clock began anew, or jumped so far that every node's counters parted from it",
    "hub_step": "the hub's clock was moved: all nodes shift together; taken out of every map",
    "host_step": "the host's clock moved against the hub's and every node's; the longer part is believed",
}
MOVEMENT_SOURCE = {
    "found": "found in the accelerations alone",
    "stated": "noted in the events",
}
AGREEMENT = {
    "agrees": "within the bands of both clocks and of the movements",
    "disagrees": "further apart than those bands allow",
    "corrected": "was further apart; the study asked for the clocks to be moved together",
    "no_movement": "no shared movement was found",
}
ORIGIN = {
    "measured": "sent by the node and received",
    "recovered": "received in another copy of the capture",
    "interpolated": "computed from the samples around a short gap; never measured",
    "missing": "lost and not filled",
}
QUALITY = {
    "good": "no fault known",
    "clipped": "at a rail of the converter",
    "flat": "part of a stretch without any change",
    "not_measured": "lost and not filled",
    "lead_off": "part of a second or more at a rail of the converter: no electrode, no signal",
    "short_fill": "lost, and computed by a line or a cubic across a short gap",
    "pattern_fill": "lost, and computed from beats of the same recording; heart rate may use it, variability "
    "may not",
    "near_gap": "of the grid: so near to lost samples that it is a straight line between its two neighbours",
    "fill_refused": "lost; beats of the same recording might fill it, but no fill is sure enough",
}
RR_STATUS = {
    "normal": "between two measured beats, no gap touched",
    "first": "no beat before it in this stretch",
    "touches_gap": "a beat of the pair lies within 50 ms of lost samples, or lost samples lie between",
    "beat_in_fill": "a beat of the pair lies on computed samples; counts for rate, not for variability",
    "ectopic": "ends or begins at a beat that comes too early; counts for rate, not for variability",
    "artefact": "another beat would fit into it, or it and its neighbour are two parts of a usual one: a "
    "beat missed, added or out of its turn; counts for rate, not for variability",
    "too_long": "longer than 2 s and 1.6 times those around, or than 30 s, and the signal does not show that "
    "no beat lies in it; does not count",
    "spans_gap": "lost samples lie between, more than 50 ms from both beats, but its length within 20 % of "
    "those around it leaves no room for a lost beat; counts",
    "pause": "longer than 2 s and 1.6 times those around, up to 30 s, all of it received and clean, and no "
    "beat in it; counts for rate, not for variability",
}
RHYTHM_EVENT = {
    "pause": "an interval with the status pause: longer than 2 s and 1.6 times those around, and clean "
    "signal shows no beat in it",
    "slowest": "the ten seconds of the session with the lowest heart rate",
    "fastest": "the ten seconds of the session with the highest heart rate",
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
    "too_short": "the stretch of beats is shorter than the value needs",
    "too_many_lost": "too large a share of the intervals is lost or does not count",
    "poor_signal": "too little of the signal is good enough for it",
    "step_rate": "the heart rate equals the rate of steps, or half of it, and beats are not alike enough to "
    "be no steps",
    "no_agreement": "the signals that it is computed from do not agree",
    "no_participant_facts": "the participant's age or resting heart rate is not given",
    "no_walking": "no walking in the epoch, so no cadence",
    "not_this_movement": "the epoch held too little of the movement that the feature describes",
    "not_worn": "the node was not worn, so its samples are not of the wearer",
    "too_little_around": "too little was received in the hours around the epoch",
    "no_mounting": "the study does not state how nodes are mounted at this placement",
    "none_before": "the epoch before has no value to compare with",
    "irregular": "beats come too irregularly for variability to mean anything: irregularity of -1.4 or more, "
    "and a tenth of the intervals ectopic or artefact",
}
LOSS_BAR = {
    "nothing_lost": "nothing that the value rests on was lost",
    "replayed": "the epoch's losses were replayed on stretches of the same recording, most of them complete",
    "replayed_bridged": "the epoch's losses were replayed on stretches of the same recording, in most of "
    "which short holes had to be bridged",
    "no_stretch": "losses are there, but too few stretches of this recording to replay them on",
}
SIGNAL_USE = {
    "variability": "good enough for intervals between beats",
    "rate": "good enough to count beats, not for their intervals",
    "none": "not to be used: no signal, or too few signs of a heart in it",
}
CALIBRATION_METHOD = {
    "six_position": "offsets and gains of the bench, from a record of the device",
    "autocalibration": "offsets and gains from the session's own still windows, on the sphere of 1 g",
    "none": "as the layout scales it",
}
CALIBRATION_NOTE = {
    "few_still": "no calibration: less than five minutes of stillness",
    "sphere_not_covered": "no calibration: still windows do not reach both sides of every axis by 0.3 g",
    "residual_too_large": "no calibration: still windows do not fit a sphere of 1 g within 10 mg",
    "worse_than_raw": "the bench's coefficients fit the session's still windows worse than none would; "
    "is it the same device?",
}
BOUT_EDGE = {
    "seen": "the movement before or after it was received",
    "gap": "what lies before or after it was lost; it may have lasted longer",
    "session_edge": "the session begins or ends there",
}
NO_COVERAGE = {
    "no_samples": "no kind of frame in the node's layout carries samples",
    "none_with_samples": "frames of the node arrived, but none of a kind that carries samples",
}
NODE_VERDICT = {
    "usable": "meets every rule of the study, which may still leave some of it unreceived: see coverage",
    "limited": "usable in part: see coverage and exclusions",
    "unusable": "below the study's limits for most of the session",
    "link_only": "its frames carry no samples: it tells what the link lost, and nothing else",
}
EXCLUSION_RULE = {
    "finished": "asks that the session ran to its end; one that is not ready, or that stopped, is excluded",
    "min_hours": "asks that the session lasts so long; a shorter one is excluded",
    "min_coverage": "asks that of the node so large a share of samples was received; a node with less is "
    "excluded",
    "min_valid_epochs": "asks that the feature has a value in so large a share of the session's epochs; one "
    "with less is excluded",
    "max_clock_uncertainty": "asks that the node's time is so certain; one that is less certain is excluded",
    "calibrated": "asks that the node's device has calibration coefficients; one without is excluded",
    "bench_passed": "asks that the node's device passed its last bench test; one that did not, or that has "
    "none on record, is excluded",
}
FLOW_STEP = {"listed": "all that the study's sheets list", **EXCLUSION_RULE}
RULE_COUNTS = {
    "yes": "it was still included when this rule applied",
    "no": "an earlier rule had excluded it already",
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
    "no_epoch": "no epoch lies entirely in the phase",
    "no_value": "none of its epochs has a value",
}
