"""Room `loss`: received frames in; gaps and their account by minute, session and signal out."""

from __future__ import annotations

import pandas as pd

from nodeday import tables
from nodeday.ledger import Ledger
from nodeday.loss.battery import by_node
from nodeday.loss.find import find_gaps
from nodeday.loss.heard import COLUMNS, Pace, Session, listen
from nodeday.loss.minutes import LOST, by_minute
from nodeday.loss.whole import Frames, of_session
from nodeday.schemas import TABLES
from nodeday.schemas.codes import DISTINCT, SECOND_COPIES
from nodeday.settings import Study

STREAM = ["node", "stream"]


def run(study: Study, session: str) -> None:
    """Write ``gaps``, ``loss``, ``radio``, ``bursts``, ``signal`` and ``battery``; raise ContractError
    where their counts do not agree."""
    frames = tables.read(tables.path(study.results, "frames", session), "frames", COLUMNS)
    heard = listen(frames, paces(study, session))
    status = {str(code): int(n) for code, n in frames["status"].value_counts().items()}
    del frames  # as large as what was heard, and in it
    found = account(heard, study.file.battery.empty_v)
    for name, table in found.items():
        tables.write(tables.path(study.results, name, session), TABLES[name], table)
    balance(Ledger("loss", session), status, heard, found).close(study.results)


def paces(study: Study, session: str) -> dict[tuple[str, str], Pace]:
    """What the layout says of each stream that a node may send."""
    found: dict[tuple[str, str], Pace] = {}
    for node in study.nodes_of(session).values():
        layout = study.layout_of(session, node.node)
        counter = layout.field("sequence")
        seq = 1 << (counter.bits if counter else 62)
        for kind in layout.kinds:
            ticks = layout.tick_range(kind.stream), layout.tick_hz(kind.stream)
            found[node.node, kind.stream] = Pace(kind.period_s, seq, *ticks)
    return found


def account(heard: Session, empty_v: float) -> Frames:
    """The room's tables by name."""
    gaps = find_gaps(heard)
    whole = of_session(heard, gaps)
    return {"gaps": gaps, "loss": by_minute(heard, gaps), **whole, "battery": by_node(heard, empty_v)}


def balance(ledger: Ledger, status: dict[str, int], heard: Session, found: Frames) -> Ledger:
    """Every frame of the table, told by ``status`` how many there are, every number of a boot and every lost
    frame, counted at each doorway."""
    gaps, loss, whole = found["gaps"], found["loss"], found["radio"]
    apart = {code: n for code, n in status.items() if n and code not in (*DISTINCT, *SECOND_COPIES)}
    ledger.add("rows", "frames", sum(status.values()), received=int(loss["received"].sum()),
               duplicates=int(loss["duplicates"].sum()), **apart)  # fmt: skip
    lost = gaps.groupby([*STREAM, "boot"], observed=True)["frames"].sum()
    for own in heard.streams:
        numbers = pd.Series(own.seq).groupby(own.boot).agg(["min", "max", "size"])
        for boot, low, high, size in numbers.itertuples(name=None):
            missing = int(lost.get((own.node, own.stream, boot), 0))
            ledger.add("frames", f"{own.node}/{own.stream} boot {boot}", high - low + 1, received=size,
                       lost=missing)  # fmt: skip
    runs = found["bursts"].assign(lost=found["bursts"]["length"] * found["bursts"]["count"])
    for own in heard.streams:
        mine = {name: table[(table["node"] == own.node) & (table["stream"] == own.stream)]
                for name, table in {**found, "bursts": runs}.items() if "stream" in table}  # fmt: skip
        scope, of_minutes, row = f"{own.node}/{own.stream}", mine["loss"], mine["radio"]
        parts = {name.removeprefix("lost_"): int(of_minutes[name].sum()) for name in LOST}
        ledger.add("lost frames", scope, int(mine["gaps"]["frames"].sum()), **parts)
        ledger.add(
            "lost on the air", scope, int(row["lost_radio"].sum()), runs=int(mine["bursts"]["lost"].sum())
        )
    ledger.add(
        "expected frames", "session", int(whole["expected"].sum()), minutes=int(loss["expected"].sum())
    )
    return ledger
