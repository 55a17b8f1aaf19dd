"""Advice for the next session: tables that the rules of :mod:`.advice` read, and all rules in their order."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.schemas.codes import LOST_ON_AIR
from nodeday.stages.report import advice, advice_time
from nodeday.stages.report.advice import Advice, AdviceTables
from nodeday.stages.report.facts import PageFacts
from nodeday.stages.report.spans import MINUTE
from nodeday.stages.report.streams import ABSENT
from nodeday.storage import tables

RULES: tuple[Callable[[AdviceTables], list[Advice]], ...] = (
    advice.hub_outages,
    advice.joint_silences,
    advice_time.shared_addresses,
    advice.batteries,
    advice.restarts,
    advice.placement,
    advice.unlike_nodes,
    advice.damaged,
    advice_time.unlike_clocks,
    advice_time.uncertain_clocks,
    advice_time.movements,
    advice_time.electrodes,
    advice_time.wear,
    advice_time.calibration,
)
LOOKED_AT = (
    "outages of the hub, silences of several nodes, shared addresses, batteries, restarts, antennas and "
    "placement, nodes unlike the others, damaged frames, crystals, certainty of time, shared movements, "
    "electrodes, wear and calibration"
)
STATES = ("walking", "lying or bent over", "leaning", "upright")
_SHARES = ("walking_share", "level_share", "leaning_share", "upright_share")


def advise(session: AdviceTables) -> list[Advice]:
    """Return the advice of every rule, the gravest first; empty where nothing stands out."""
    return advice.merged([one for rule in RULES for one in rule(session)])


def rows(found: list[Advice]) -> pd.DataFrame:
    """Return the advice as rows, for the CSV file."""
    cells = [(a.rule, " ".join(a.nodes), a.do, a.because, a.see) for a in found]
    return pd.DataFrame(cells, columns=["rule", "nodes", "do", "because", "figure"])


def advice_tables(study: Study, facts: PageFacts, bad_checksums: int) -> AdviceTables:
    """Read the tables of a session that the rules need.

    Raises ContractError where a table is absent.
    """

    def read(name: str) -> pd.DataFrame:
        table = tables.read(tables.path(study.results, name, facts.session), name)
        return table[table["node"] != HUB].astype({"node": str}) if "node" in table else table

    return AdviceTables(
        facts.hours,
        study.file.limits,
        read("radio"),
        read("signal"),
        minutes(read("loss"), facts.epochs),
        _gaps(facts),
        read("battery"),
        facts.clock[facts.clock["node"] != HUB],
        facts.steps,
        facts.agreement,
        read("signal_quality"),
        read("calibration"),
        facts.epochs[facts.epochs["feature"] == "nonwear"],
        bad_checksums,
        {s.node: s.placement for s in facts.streams},
    )


def minutes(loss: pd.DataFrame, epochs: pd.DataFrame) -> pd.DataFrame:
    """Return a row for each minute of a stream: node, expected, lost, state.

    ``expected`` are frames received or lost on the air, ``lost`` those lost on the air, and ``state`` is
    what the wearer did for most of the minute (see :func:`states`), null where no node has a value.
    """
    at = (loss["minute_utc_ns"] + MINUTE // 2) // MINUTE
    lost = loss[LOST_ON_AIR].sum(axis=1)
    return pd.DataFrame(
        {
            "node": loss["node"].astype(str),
            "expected": loss["received"] + lost,
            "lost": lost,
            "state": at.map(states(epochs)),
        }
    )


def states(epochs: pd.DataFrame) -> dict[int, str]:
    """Return the state of each minute since 1970 that has one: walking, or else the posture.

    A state holds for a minute where it took more than half of it, by the mean over all nodes with a value.
    """
    rows = epochs[epochs["feature"].isin(_SHARES) & epochs["value"].notna()]
    middle = rows["start_ns"] + (rows["end_ns"] - rows["start_ns"]) // 2
    shares = rows.pivot_table(index=middle // MINUTE, columns=rows["feature"].astype(str), values="value")
    shares = shares.reindex(columns=list(_SHARES))
    over = shares.to_numpy(np.float64) > 0.5
    by_minute = zip(shares.index, over, strict=True)
    return {int(minute): STATES[int(np.argmax(row))] for minute, row in by_minute if row.any()}


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
