"""``datapackage.json``: what a package says of itself, by the Frictionless Data Package standard.

Source: https://specs.frictionlessdata.io/data-package/ and /table-schema/ (version 1), which
readers of version 2 (https://datapackage.org/) take as well.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from server.errors import BadInput
from server.services.attribution import LICENCES, TERMS, Attribution
from server.services.packages.tables import TABLES, Column, Table

DESCRIPTOR: Final = "datapackage.json"
LAYOUT: Final = 1
"""Raised when a column changes its meaning; the program that reads must know it."""
LARGEST: Final = 32 * 1024**2
"""Bytes of the description; each picture takes about a thousand."""

NAME: Final = "fundus-rounds-cards"
PICTURE: Final = "picture"
"""Before the number in the name of a picture's resource."""


@dataclass(frozen=True)
class File:
    """A finished member of a package: its name, size and SHA-256."""

    name: str
    bytes: int
    sha256: str


@dataclass(frozen=True)
class Head:
    """What stands above the tables.

    Parameters
    ----------
    title : what the package is called.
    credit, licence : who put it together, and the terms of the words and recipes.
    safety : what it is not for.
    """

    title: str
    credit: str
    licence: str
    safety: str
    made_at: datetime


def describe(
    head: Head,
    files: Mapping[str, File],
    pictures: Iterable[tuple[File, Attribution]],
    credits: Sequence[str] = (),
) -> str:
    """Return the description as JSON.

    Parameters
    ----------
    files : of the tables, by the table's name.
    pictures : with their terms, in the order of the table of photographs.
    credits : others who wrote words of it.
    """
    shown = list(pictures)
    makers = dict.fromkeys(terms.credit for _, terms in shown)
    sources = dict.fromkeys(terms.source for _, terms in shown)
    package: dict[str, Any] = {
        "name": NAME,
        "profile": "data-package",
        "title": head.title,
        "description": (
            "Cards for practising to recognise findings in the fundus: what they teach, how their "
            f"eyes are drawn, and photographs with what is where in them. {head.safety}"
        ),
        "created": head.made_at.isoformat(timespec="seconds"),
        "keywords": ["ophthalmology", "fundus", "medical education"],
        "licenses": [_licence(head.licence)],
        "contributors": [
            {"title": head.credit, "role": "publisher"},
            *({"title": name, "role": "author"} for name in dict.fromkeys((head.credit, *credits))),
            *({"title": name, "role": "contributor"} for name in makers),
        ],
        "fundusRounds": {"layout": LAYOUT},
        "resources": [
            *(_table(table, files[table.name]) for table in TABLES),
            *(_picture(number, *one) for number, one in enumerate(shown, start=1)),
        ],
    }
    if sources:
        # The standard has no list that is empty.
        package["sources"] = [_source(words) for words in sources]
    return json.dumps(package, ensure_ascii=False, indent=1) + "\n"


def _licence(name: str) -> dict[str, str]:
    licence = {"name": name, "title": LICENCES[name]}
    if name in TERMS:
        licence["path"] = TERMS[name]
    return licence


def _source(words: str) -> dict[str, str]:
    source = {"title": words}
    if words.startswith(("https://", "http://")) and " " not in words:
        source["path"] = words
    return source


def _table(table: Table, file: File) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(column) for column in table.columns],
        "primaryKey": list(table.key),
        "missingValues": [""],
    }
    if table.of:
        schema["foreignKeys"] = [
            {"fields": list(own), "reference": {"resource": other, "fields": list(its)}}
            for own, (other, its) in table.of.items()
        ]
    return {
        "name": table.name,
        "path": file.name,
        "profile": "tabular-data-resource",
        "title": table.means,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": file.bytes,
        "hash": f"sha256:{file.sha256}",
        "dialect": {"delimiter": ",", "lineTerminator": "\r\n", "doubleQuote": True},
        "schema": schema,
    }


def _field(column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": column.type,
        "description": f"{column.means[0].upper()}{column.means[1:]}.",
    }
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.one_of:
        constraints["enum"] = list(column.one_of)
    return {**field, "constraints": constraints} if constraints else field


def _picture(number: int, file: File, terms: Attribution) -> dict[str, Any]:
    return {
        "name": f"{PICTURE}-{number}",
        "path": file.name,
        "profile": "data-resource",
        # A resource has no list of contributors; the package has, and this says which is whose.
        "title": terms.maker,
        "format": "webp",
        "mediatype": "image/webp",
        "bytes": file.bytes,
        "hash": f"sha256:{file.sha256}",
        "licenses": [_licence(terms.licence)],
        "sources": [_source(terms.source)],
    }


def read(data: bytes) -> dict[str, Any]:
    """Return what a foreign description says, once it is one that this program can follow.

    Raises
    ------
    BadInput : it is no description, of another kind of package, or of a newer program.
    """
    try:
        package = json.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError) as problem:
        raise BadInput("it is no JSON in UTF-8: make the package again") from problem
    own = package.get("fundusRounds") if isinstance(package, dict) else None
    layout = own.get("layout") if isinstance(own, dict) else None
    if not isinstance(layout, int):
        raise BadInput("it describes something else than a package of cards of this program")
    if layout != LAYOUT:
        raise BadInput(
            f"its tables are laid out by version {layout}, and this program reads {LAYOUT}: use "
            "the version of the program that wrote it"
        )
    named = package.get("resources")
    if not isinstance(named, list) or not all(isinstance(one, dict) for one in named):
        raise BadInput("it lists no resources: make the package again")
    return dict(package)


def amiss(package: Mapping[str, Any]) -> list[str]:
    """Return in what a description differs from the tables that this program reads."""
    by_name = {one.get("name"): one for one in package["resources"]}
    lacks = []
    for table in TABLES:
        one = by_name.get(table.name)
        if one is None:
            lacks.append(f"it does not name the table {table.name}")
        elif one.get("path") != table.file:
            lacks.append(f"it looks for the table {table.name} elsewhere than in {table.file}")
    return lacks


def title_of(package: Mapping[str, Any]) -> str:
    """Return what a package is called, in at most 200 characters."""
    return " ".join(str(package.get("title") or "Untitled").split())[:200]
