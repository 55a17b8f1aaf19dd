"""The data dictionary: the declarations as text for readers."""

from __future__ import annotations

from nodeday.schemas.declare import Column, Table
from nodeday.schemas.features import FEATURES
from nodeday.schemas.tables import TABLES

HEAD = """# Data dictionary

Every table, column, unit, code and feature, written by `nodeday dictionary` from the declarations in
`schemas/`. Times are nanoseconds since 1970 in UTC, as 64-bit integers. `name` is text that repeats,
`code` is text from a closed list; both are stored as dictionaries. Intervals are half-open."""


def markdown(only: str | None = None) -> str:
    """Return the data dictionary as Markdown; of one table where ``only`` names it."""
    tables = [TABLES[only]] if only else list(TABLES.values())
    parts = ([] if only else [HEAD]) + [of_table(table) for table in tables]
    if only in (None, "epochs"):
        parts.append(_features())
    return "\n\n".join(parts) + "\n"


def _limits(column: Column) -> str:
    if column.codes:
        return ", ".join(column.codes)
    if column.ge is not None and column.le is not None:
        return f"{column.ge:g} to {column.le:g}"
    return f"at least {column.ge:g}" if column.ge is not None else ""


def of_table(table: Table) -> str:
    """Return one table as Markdown: its rules and columns, then the meanings of its codes."""
    lines = [
        f"## {table.name}",
        "",
        f"One row is {table.row}. Unique by {', '.join(table.key)}.",
        *_rules(table),
        *table.notes,
        "",
        "| column | type | unit | null | values | meaning |",
        "|---|---|---|---|---|---|",
    ]
    for column in (*table.columns, *table.template):
        null = "yes" if column.nullable else "no"
        lines.append(
            f"| {column.name} | {column.dtype} | {column.unit} | {null} | {_limits(column)} "
            f"| {column.meaning} |"
        )
    for column in (*table.columns, *table.template):
        if column.codes and column.name != "feature":
            lines += ["", f"Codes of `{column.name}`:", ""]
            lines += [f"- `{code}`: {meaning}" for code, meaning in column.codes.items()]
    return "\n".join(lines)


def _rules(table: Table) -> list[str]:
    """Return a sentence for each rule across rows or columns but the key."""
    rules = [f"`{value}` is null exactly where `{reason}` is given." for value, reason in table.either_or]
    if not table.increasing:
        return rules
    groups = f" within each {', '.join(table.within)}" if table.within else ""
    return [f"`{table.increasing}` never falls{groups}.", *rules]


def _features() -> str:
    lines = [
        "## Features",
        "",
        "| feature | unit | meaning | formula | needs | source |",
        "|---|---|---|---|---|---|",
    ]
    for feature in FEATURES:
        formula = feature.formula.replace("|", "\\|")
        lines.append(
            f"| {feature.name} | {feature.unit} | {feature.meaning} | {formula} | {feature.needs} "
            f"| {feature.source} |"
        )
    return "\n".join(lines)
