"""The tables of a package of cards: their columns, and how a cell is written and read.

The columns are described to others by Table Schema (https://specs.frictionlessdata.io/table-schema/),
which `descriptor.py` writes from what stands here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from server.errors import BadInput
from server.rendering.eye import FINDINGS
from server.services.attribution import LICENCES

Cell = str | int | float | None
Cells = dict[str, Cell]
Belonging = Mapping[tuple[str, ...], tuple[str, tuple[str, ...]]]
"""Own columns, and the table and columns that they name."""

LONGEST_CELL: Final = 16_000
"""Characters; an outline of 400 points has at most 4,000."""

_WHOLE: Final = re.compile(r"-?[0-9]{1,9}")
_NUMBER: Final = re.compile(r"-?[0-9]{1,9}(\.[0-9]{1,20})?(e-?[0-9]{1,3})?")
_FORMULA: Final = re.compile(r"'*[=+\-@\t\r\n\0]")
"""What a spreadsheet would take for a formula (OWASP, CSV injection), marked or not."""


@dataclass(frozen=True)
class Column:
    """One column.

    Parameters
    ----------
    means : what is in it, in a sentence.
    one_of : the only values there are; empty where any will do.
    """

    name: str
    means: str
    type: Literal["string", "integer", "number"] = "string"
    required: bool = False
    one_of: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """One table, a file ``<name>.csv`` of the package.

    Parameters
    ----------
    key : columns that together name a row.
    of : the table that each row belongs to, by the columns it shares with its key.
    """

    name: str
    means: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    of: Belonging

    @property
    def file(self) -> str:
        """The name of its file."""
        return f"{self.name}.csv"


def _range(name: str, means: str) -> tuple[Column, Column]:
    return (
        Column(f"{name}_from", f"{means}, the least", "number"),
        Column(f"{name}_to", f"{means}, the most", "number"),
    )


_CARD: Final = Column("card", "id of the card it belongs to", required=True)
_NUMBER_IN: Final = Column("number", "its place, from 1", "integer", required=True)
_OF_CARD: Final[Belonging] = {("card",): ("cards", ("id",))}

CARDS: Final = Table(
    "cards",
    "The cards, with what they teach.",
    (
        Column("id", "name that the card keeps for ever", required=True),
        Column("version", "1, 2, 3 …: a higher one takes a lower one's place", "integer", True),
        Column("title", "what the card is called", required=True),
        Column(
            "source", "where its pictures come from", required=True,
            one_of=("photograph", "rendered"),
        ),
        Column(
            "kind", "what the card is of", required=True, one_of=("finding", "normal", "look-alike")
        ),
        Column("shows", "the finding or look-alike it is about; empty for a normal eye"),
        Column("mimics", "the finding that a look-alike resembles", one_of=FINDINGS),
        Column("position", "place in the order in which new cards are met", "integer", True),
        Column("icd10", "ICD-10 codes, separated by blanks"),
        Column("sign", "teaching: what is to be seen", required=True),
        Column("tell", "teaching: how to tell", required=True),
        Column("meaning", "teaching: what it means", required=True),
        Column("urgency", "teaching: how urgent; local pathways come first", required=True),
        Column("look_alike", "teaching: what it is not to be confused with", required=True),
        Column("words_credit", "who wrote the words and recipes", required=True),
        Column(
            "words_licence", "SPDX identifier of the terms of the words and recipes", required=True,
            one_of=tuple(name for name in LICENCES if not name.startswith("LicenseRef-")),
        ),
    ),
    ("id",),
    {},
)  # fmt: skip

REFERENCES: Final = Table(
    "references",
    "What each card's lines rest on.",
    (_CARD, _NUMBER_IN, Column("reference", "author, title, journal, year", required=True)),
    ("card", "number"),
    _OF_CARD,
)

RECIPES: Final = Table(
    "recipes",
    "Of drawn cards: how their eyes are drawn.",
    (
        _CARD,
        Column("view", "name of the part of the fundus that is shown", required=True),
        *_range("pigmentation", "share of the darkest fundus, 0 to 1"),
        *_range("age", "years"),
        *_range("quality", "share of the clearest picture, 0 to 1"),
        Column("side", "where all are of one side", one_of=("left", "right")),
        Column("camera", "where all are of one camera"),
    ),
    ("card",),
    _OF_CARD,
)

FEATURES: Final = Table(
    "features",
    "Of drawn cards: what is painted, between two severities.",
    (
        _CARD,
        _NUMBER_IN,
        Column("kind", "the finding or look-alike", required=True),
        Column("variant", "which kind of it; empty for any"),
        Column("severity_from", "the least, 0 to 1", "number", True),
        Column("severity_to", "the most, 0 to 1", "number", True),
    ),
    ("card", "number"),
    _OF_CARD,
)

PHOTOGRAPHS: Final = Table(
    "photographs",
    "Of photograph cards: the photographs, whose they are and on which terms they are shown.",
    (
        _CARD,
        _NUMBER_IN,
        Column("picture", "its file in this package", required=True),
        Column("side", "which eye", required=True, one_of=("left", "right")),
        Column("credit", "who made it, as they ask to be named", required=True),
        Column(
            "licence", "SPDX identifier of its terms", required=True, one_of=tuple(LICENCES)
        ),
        Column("source", "where it was published", required=True),
        Column("statement", "on whose consent, or why in the public domain", required=True),
        Column("not_judged", "findings that it does not let one judge, separated by blanks"),
    ),
    ("card", "number"),
    _OF_CARD,
)  # fmt: skip

REGIONS: Final = Table(
    "regions",
    "What is where in the photographs.",
    (
        _CARD,
        Column("photograph", "number of the photograph in its card", "integer", True),
        _NUMBER_IN,
        Column(
            "marks", "what it is", required=True, one_of=("disc", "fovea", *FINDINGS)
        ),
        Column(
            "points",
            "places x,y along the outline, in thousandths of the picture's width and height, "
            "separated by blanks; one place for the fovea",
            required=True,
        ),
    ),
    ("card", "photograph", "number"),
    {("card", "photograph"): ("photographs", ("card", "number"))},
)  # fmt: skip

TABLES: Final = (CARDS, REFERENCES, RECIPES, FEATURES, PHOTOGRAPHS, REGIONS)


def written(column: Column, cell: Cell) -> str:
    """Return a cell as it stands in the file; text that a spreadsheet would run is marked."""
    if cell is None:
        return ""
    text = str(cell)
    return f"'{text}" if column.type == "string" and _FORMULA.match(text) else text


def read(column: Column, text: str) -> Cell:
    """Return what a cell of the file holds.

    Raises
    ------
    BadInput : it is missing, or not of the column's kind; the message says what would do.
    """
    if len(text) > LONGEST_CELL:
        raise BadInput(f"{column.name} has {len(text)} characters; at most {LONGEST_CELL} are read")
    if "\0" in text:
        raise BadInput(f"{column.name} holds a character that is no text")
    if not text:
        if column.required:
            raise BadInput(f"{column.name} is empty: it says {column.means}")
        return "" if column.type == "string" else None
    if column.type == "string":
        if text.startswith("'") and _FORMULA.match(text):
            text = text[1:]
        if column.one_of and text not in column.one_of:
            raise BadInput(
                f"{column.name} is {text[:40]!r}, which is none of {', '.join(column.one_of)}"
            )
        return text
    if column.type == "integer":
        if not _WHOLE.fullmatch(text):
            raise BadInput(f"{column.name} is {text[:40]!r}, which is no whole number")
        return int(text)
    if not _NUMBER.fullmatch(text):
        raise BadInput(f"{column.name} is {text[:40]!r}, which is no number")
    return float(text)
