"""The study as a data package after the Frictionless specification (specs.frictionlessdata.io, Data
Package, Tabular Data Resource and Table Schema version 1, from memory; ``categories`` as in version 2).

``datapackage.json`` lists every file with its hash; what a file's columns are stands in
``table-schemas/<table>.json``, once for all files with the same columns. Beside them lies the dictionary,
as text and as CSV.
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
from nodeday.products.export.hashes import Hashed, of_files
from nodeday.schemas import TABLES, Column, Table, dictionary
from nodeday.schemas.compile import VERSION
from nodeday.storage.inventory import TableFile

TYPES = {"int": "integer", "uin": "integer", "flo": "number"}
SCHEMAS = "table-schemas"
DICTIONARY = ("table", "column", "type", "unit", "null", "least", "most", "codes", "meaning")


def field(column: Column) -> dict[str, Any]:
    """A column as a field of a Table Schema: its type, unit, meaning, limits and codes."""
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
    """A table as a Table Schema; an empty cell is a null."""
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
    """``datapackage.json`` of the files; ``schemas`` says where each file's schema lies."""
    resources, digests = [], hashed([each.full for each in tables])
    for number, (each, digest) in enumerate(zip(tables, digests, strict=True)):
        known = re.sub(r"[^a-z0-9.-]+", "-", each.path.rsplit(".", 1)[0].lower())
        kind = each.path.rsplit(".", 1)[1]
        resource: dict[str, Any] = {
            "name": f"{known}-{number}",
            "title": each.table.name,
            "path": each.path,
            "profile": "tabular-data-resource",
            "format": kind,
            "mediatype": "text/csv" if kind == "csv" else "application/vnd.apache.parquet",
            "bytes": each.full.stat().st_size,
            "hash": f"sha256:{digest}",
            "rows": each.rows,
            "schema": schemas[each.path],
        }
        if kind == "csv":
            resource["encoding"] = "utf-8"
        if each.session:
            resource["partition"] = {"session": each.session}
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
    """Descriptor, schemas and dictionary of ``tables``, whose paths are from ``target``."""
    folder = target / SCHEMAS
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.json"):
        old.unlink()
    places: dict[str, str] = {}
    known: dict[str, str] = {}
    count: Counter[str] = Counter()
    for each in tables:
        text = as_json(table_schema(each.table))
        if text not in known:  # columns differ where streams have other channels, or sessions other nodes
            count[each.table.name] += 1
            number = count[each.table.name]
            name = each.table.name + (f"-{number}" if number > 1 else "")
            known[text] = name
            atomic.write_text(folder / f"{name}.json", text)
        places[each.path] = f"{SCHEMAS}/{known[text]}.json"
    told = descriptor(study, title, tables, places, hashed)
    atomic.write_text(target / "datapackage.json", as_json(told))
    extra = {each.table.name: each.table for each in tables if each.table.name not in TABLES}
    atomic.write_text(target / "dictionary.md", dictionary_text(list(extra.values())))
    shown = [*TABLES.values(), *extra.values()]
    atomic.write_text(target / "dictionary.csv", dictionary_csv(shown))


def dictionary_text(extra: list[Table]) -> str:
    """The data dictionary as Markdown, with tables that only this study has."""
    return "\n\n".join([dictionary.markdown().rstrip(), *map(dictionary.of_table, extra)]) + "\n"


def dictionary_csv(tables: Iterable[Table]) -> str:
    """The data dictionary as CSV, a row for each column, codes with their meanings."""
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
    return json.dumps(value, indent=1, ensure_ascii=False) + "\n"
