"""The data dictionary: the declarations as text for people."""

from __future__ import annotations

from nodeday.schemas.declare import Column, Table
from nodeday.schemas.features import FEATURES
from nodeday.schemas.tables import TABLES


def markdown(only: str | None = None) -> str:
    """The data dictionary as Markdown; of one table where ``only`` names it."""
    tables = [TABLES[only]] if only else list(TABLES.values())
    parts = [_table(table) for table in tables]
    if only in (None, "epochs"):
        parts.append(_features())
    return "\n\n".join(parts) + "\n"


def _limits(column: Column) -> str:
    if column.codes:
        return ", ".join(column.codes)
    if column.ge is not None and column.le is not None:
        return f"{column.ge:g} to {column.le:g}"
    return f"at least {column.ge:g}" if column.ge is not None else ""


def _table(table: Table) -> str:
    lines = [
        f"## {table.name}", "", f"One row is {table.row}. Unique by {', '.join(table.key)}.",
        *table.notes, "", "| column | type | unit | null | values | meaning |",
        "|---|---|---|---|---|---|",
    ]  # fmt: skip
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


def _features() -> str:
    lines = [
        "## Features", "", "| feature | unit | meaning | formula | needs | source |",
        "|---|---|---|---|---|---|",
    ]  # fmt: skip
    for one in FEATURES:
        formula = one.formula.replace("|", "\\|")
        lines.append(f"| {one.name} | {one.unit} | {one.meaning} | {formula} | {one.needs} | {one.source} |")
    return "\n".join(lines)
