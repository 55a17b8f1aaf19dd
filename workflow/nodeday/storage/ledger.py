"""Conservation counts: what enters a checkpoint leaves it, or is written down as set aside."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from nodeday.core.errors import ContractError


@dataclass(frozen=True)
class Entry:
    """A count at a checkpoint: ``entered`` must equal the sum of ``parts``.

    ``scope`` names the capture, node or stream that is counted.
    """

    quantity: str
    scope: str
    entered: int
    parts: dict[str, int]

    @property
    def accounted(self) -> int:
        return sum(self.parts.values())


@dataclass
class Ledger:
    """Entries of one stage for one session."""

    stage: str
    session: str
    entries: list[Entry] = field(default_factory=list)

    def add(self, quantity: str, scope: str, entered: int, **parts: int) -> None:
        """Write down one checkpoint; the sum is checked by :meth:`close`."""
        counts = {name: int(count) for name, count in parts.items()}
        self.entries.append(Entry(quantity, scope, int(entered), counts))

    def close(self, results: Path) -> None:
        """Write the ledger; raise ContractError naming every checkpoint that does not balance."""
        from nodeday.schemas import TABLES
        from nodeday.storage import tables

        wrong = [entry for entry in self.entries if entry.entered != entry.accounted]
        if wrong:
            found = "; ".join(
                f"{e.quantity} of {e.scope}: {e.entered} entered, {e.accounted} accounted for" for e in wrong
            )
            raise ContractError(
                found,
                f"session {self.session}, stage {self.stage}",
                "equal counts",
                "This is a fault of nodeday; please report it with the layout.",
            )
        frame = tables.build(
            TABLES["ledger"],
            {
                "stage": [self.stage] * len(self.entries),
                "quantity": [e.quantity for e in self.entries],
                "scope": [e.scope for e in self.entries],
                "entered": [e.entered for e in self.entries],
                "accounted": [e.accounted for e in self.entries],
                "detail": [
                    ", ".join(f"{name} {count}" for name, count in e.parts.items()) for e in self.entries
                ],
            },
        )
        tables.write(tables.path(results, "ledger", self.session, self.stage), TABLES["ledger"], frame)
