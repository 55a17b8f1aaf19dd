"""The study as a data package after the Frictionless specification.

``datapackage.json`` lists every file with its hash. ``table-schemas/<table>.json`` describes the columns,
once for all files that have the same. The data dictionary comes with them, as text and as CSV.

Source: specs.frictionlessdata.io, Data Package, Tabular Data Resource and Table Schema version 1, from
memory; ``categories`` as in version 2.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from nodeday import __version__
from nodeday.core import atomic, csv_io
from nodeday.schemas import TABLES, Column, Table, dictionary
from nodeday.schemas.compile import VERSION
from nodeday.storage.hashes import Hashed, of_files
from nodeday.storage.inventory import TableFile

TYPES = {"int": "integer", "uin": "integer", "flo": "number"}
SCHEMAS = "table-schemas"
DICTIONARY = ("table", "column", "type", "unit", "null", "least", "most", "codes", "meaning")


def field(column: Column) -> dict[str, Any]:
    """Return a column as a field of a Table Schema: its type, unit, meaning, limits and codes."""
    limits: dict[str, Any] = {"required": not column.nullable}
    if column.ge is not None:
        limits["minimum"] = column.ge
    if column.le is not None:
        limits["maximum"] = column.le
    if column.codes:
        limits["enum"] = list(column.codes)
    out: dict[str, Any] = {"name": column.name, "type": TYPES.get(column.dtype[:3], "string")}
    if column.dtype == "binary":
        out["format"] = "binary"
    out |= {"description": column.meaning, "constraints": limits}
    if column.unit:
        out["unit"] = column.unit
    if column.codes:
        out["categories"] = [{"value": code, "label": label} for code, label in column.codes.items()]
    return out


def table_schema(table: Table) -> dict[str, Any]:
    """Return a table as a Table Schema; an empty cell is a null."""
    fields = [field(column) for column in table.columns]
    return {
        "description": f"One row is {table.row}.",
        "fields": fields,
        "primaryKey": list(table.key),
        "missingValues": [""],
    }


def descriptor(
    study: str, title: str, tables: Sequence[TableFile], schemas: dict[str, str], hashed: Hashed = of_files
) -> dict[str, Any]:
    """Return ``datapackage.json`` of the files; ``schemas`` maps the path of a file to that of its schema."""
    resources, digests = [], hashed([file.full for file in tables])
    for number, (file, digest) in enumerate(zip(tables, digests, strict=True)):
        name = re.sub(r"[^a-z0-9.-]+", "-", file.path.rsplit(".", 1)[0].lower())
        form = file.path.rsplit(".", 1)[1]
        resource: dict[str, Any] = {
            "name": f"{name}-{number}",
            "title": file.table.name,
            "path": file.path,
            "profile": "tabular-data-resource",
            "format": form,
            "mediatype": "text/csv" if form == "csv" else "application/vnd.apache.parquet",
            "bytes": file.full.stat().st_size,
            "hash": f"sha256:{digest}",
            "rows": file.rows,
            "schema": schemas[file.path],
        }
        if form == "csv":
            resource["encoding"] = "utf-8"
        if file.session:
            resource["partition"] = {"session": file.session}
        resources.append(resource)
    return {
        "name": re.sub(r"[^a-z0-9.-]+", "-", study.lower()),
        "title": title or study,
        "profile": "data-package",
        "description": "Tables of a field study with body-worn sensor nodes. Times are nanoseconds since "
        "1970 in UTC. For research only: no diagnosis, no alarm, no medical device.",
        "generator": f"nodeday {__version__}, data model {VERSION}",
        "resources": resources,
    }


def write(target: Path, study: str, title: str, tables: list[TableFile], hashed: Hashed = of_files) -> None:
    """Write descriptor, schemas and dictionary of ``tables``, whose paths are relative to ``target``."""
    folder = target / SCHEMAS
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.json"):
        old.unlink()
    schema_of: dict[str, str] = {}
    known: dict[str, str] = {}
    count: Counter[str] = Counter()
    for file in tables:
        text = as_json(table_schema(file.table))
        if text not in known:  # columns differ where streams have other channels, or sessions other nodes
            count[file.table.name] += 1
            number = count[file.table.name]
            known[text] = file.table.name + (f"-{number}" if number > 1 else "")
            atomic.write_text(folder / f"{known[text]}.json", text)
        schema_of[file.path] = f"{SCHEMAS}/{known[text]}.json"
    package = descriptor(study, title, tables, schema_of, hashed)
    atomic.write_text(target / "datapackage.json", as_json(package))
    extra = {file.table.name: file.table for file in tables if file.table.name not in TABLES}
    atomic.write_text(target / "dictionary.md", dictionary_text(list(extra.values())))
    shown = [*TABLES.values(), *extra.values()]
    atomic.write_text(target / "dictionary.csv", dictionary_csv(shown))


def dictionary_text(extra: list[Table]) -> str:
    """Return the data dictionary as Markdown, with tables that only this study has."""
    return "\n\n".join([dictionary.markdown().rstrip(), *map(dictionary.of_table, extra)]) + "\n"


def dictionary_csv(tables: Iterable[Table]) -> str:
    """Return the data dictionary as CSV, a row for each column, codes with their meanings."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(DICTIONARY)
    for table in tables:
        for column in (*table.columns, *table.template):
            codes = "; ".join(f"{code}: {label}" for code, label in (column.codes or {}).items())
            rows.writerow(
                [
                    table.name,
                    column.name,
                    column.dtype,
                    column.unit,
                    "yes" if column.nullable else "no",
                    column.ge,
                    column.le,
                    csv_io.plain(codes),
                    csv_io.plain(column.meaning),
                ]
            )
    return out.getvalue()


def as_json(value: object) -> str:
    """Return indented JSON in UTF-8 characters, with a newline at the end."""
    return json.dumps(value, indent=1, ensure_ascii=False) + "\n"
