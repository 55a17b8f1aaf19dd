"""From a session's tables to what :mod:`.advice` looks at, and all its rules in their order."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.stages.report import advice, advice_time
from nodeday.stages.report.advice import Advice, AdviceTables
from nodeday.stages.report.facts import ABSENT, PageFacts
from nodeday.storage import tables

MINUTE = 60_000_000_000
RULES: tuple[Callable[[AdviceTables], list[Advice]], ...] = (
    advice.hub,
    advice.batteries,
    advice.restarts,
    advice.placing,
    advice.unlike,
    advice.damaged,
    advice_time.unlike_clock,
    advice_time.uncertain_clock,
    advice_time.movements,
    advice_time.electrodes,
    advice_time.wear,
    advice_time.calibration,
)
LOOKED_AT = (
    "outages of the hub, batteries, restarts, antennas and placement, nodes unlike the others, damaged "
    "frames, crystals, certainty of time, shared movements, electrodes, wear and calibration"
)
STATES = ("walking", "lying or bent over", "leaning", "upright")
_SHARES = ("walking_share", "level_share", "leaning_share", "upright_share")


def next_time(session: AdviceTables) -> list[Advice]:
    """What every rule says, the gravest first; empty where nothing stands out."""
    return advice.together([each for rule in RULES for each in rule(session)])


def rows(found: list[Advice]) -> pd.DataFrame:
    """The advice as rows, for the file beside the page."""
    told = [(a.rule, " ".join(a.nodes), a.do, a.because, a.see) for a in found]
    return pd.DataFrame(told, columns=["rule", "nodes", "do", "because", "figure"])


def session_of(study: Study, facts: PageFacts, bad_checksums: int) -> AdviceTables:
    """Raise ContractError where a table is absent."""

    def own(name: str) -> pd.DataFrame:
        read = tables.read(tables.path(study.results, name, facts.session), name)
        kept = read if "node" not in read else read[read["node"] != HUB]
        return kept.astype({"node": str}) if "node" in kept else kept

    return AdviceTables(
        facts.hours,
        study.file.limits,
        own("radio"),
        own("signal"),
        minutes(own("loss"), facts.epochs),
        _gaps(facts),
        own("battery"),
        facts.clock[facts.clock["node"] != HUB],
        facts.steps,
        facts.agreement,
        own("signal_quality"),
        own("calibration"),
        facts.epochs[facts.epochs["feature"] == "nonwear"],
        bad_checksums,
        {s.node: s.placement for s in facts.streams},
    )


def minutes(loss: pd.DataFrame, epochs: pd.DataFrame) -> pd.DataFrame:
    """A stream's minute: node, expected (received or lost on the air), lost (on the air), and the state
    that the wearer was in for most of it, by all nodes that tell; null where none does.
    """
    at = (loss["minute_utc_ns"] + MINUTE // 2) // MINUTE
    return pd.DataFrame(
        {
            "node": loss["node"].astype(str),
            "expected": loss["received"] + loss["lost_radio"],
            "lost": loss["lost_radio"],
            "state": at.map(states(epochs)),
        }
    )


def states(epochs: pd.DataFrame) -> dict[int, str]:
    """The state of each minute since 1970 that has one: walking, or else the posture; more than half of
    it, by the mean of the nodes that tell.
    """
    mine = epochs[epochs["feature"].isin(_SHARES) & epochs["value"].notna()]
    middle = mine["start_ns"] + (mine["end_ns"] - mine["start_ns"]) // 2
    shares = mine.pivot_table(index=middle // MINUTE, columns=mine["feature"].astype(str), values="value")
    shares = shares.reindex(columns=list(_SHARES))
    over = shares.to_numpy(np.float64) > 0.5
    told = zip(shares.index, over, strict=True)
    return {int(at): STATES[int(np.argmax(row))] for at, row in told if row.any()}


def _gaps(facts: PageFacts) -> pd.DataFrame:
    pieces = [pd.DataFrame({"node": [], "cause": [], "start_ns": [], "seconds": []})]
    for stream in facts.streams:
        seconds = (stream.end_ns - stream.start_ns) / 1e9
        pieces.append(
            pd.DataFrame(
                {"node": stream.node, "cause": stream.cause, "start_ns": stream.start_ns, "seconds": seconds}
            )[stream.cause != ABSENT]
        )
    return pd.concat(pieces, ignore_index=True)
