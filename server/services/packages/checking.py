"""A foreign package checked from end to end, before the database is asked anything."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Final

from server.errors import BadInput
from server.services.authoring.draft import LINES, NORMAL, DraftWords
from server.services.authoring.marking import read_marks, read_side, read_terms
from server.services.authoring.reviewing import amiss, card_of
from server.services.authoring.uploads import MOST_PHOTOGRAPHS, SIDE_PX
from server.services.catalogue import Catalogue
from server.services.designed_cards import codes_of
from server.services.packages import pictures, tables
from server.services.packages.archive import Archive, Problem
from server.services.packages.descriptor import DESCRIPTOR, title_of
from server.services.packages.packed_card import PICTURES, PackedCard, recipe_table
from server.services.packages.pictures import CheckedPicture
from server.services.packages.reading import Row, Tables, read_description, read_tables
from server.services.photograph_cards import CardPhotograph, Marks
from server.services.recipes import BadRecipe, Recipe, read_recipe

CARD_ID: Final = re.compile(r"school(-[a-z0-9]+)+")
LONGEST_ID: Final = 80
LONGEST_CREDIT: Final = 200
HIGHEST: Final = 1_000_000
"""Of a version or a place in the order: beyond it is a slip, and numbers run out."""


@dataclass(frozen=True)
class CheckedCard:
    """A card of a package that is sound in itself, and the row it stands in."""

    card: PackedCard
    row: int


@dataclass(frozen=True)
class Checked:
    """What a package holds.

    Parameters
    ----------
    cards : those that are sound.
    pictures : by the name under which each is kept.
    photographs : row of each photograph, by card and name of its picture.
    problems : with any, nothing of the package is brought in.
    """

    title: str = ""
    cards: tuple[CheckedCard, ...] = ()
    pictures: dict[str, CheckedPicture] = field(default_factory=dict)
    photographs: dict[tuple[str, str], int] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()


def check(
    archive: Archive, catalogue: Catalogue, step: Callable[[int, int], None] = lambda done, of: None
) -> Checked:
    """Check a package: its description, tables and pictures, and each card by the makers' rules.

    Parameters
    ----------
    step : told after each picture how many are done, and of how many.
    """
    package, problems = read_description(archive)
    if problems:
        return Checked(problems=tuple(problems))
    rows, amiss_in_rows = read_tables(archive, package)
    by_file, amiss_in_pictures = _pictures(archive, rows, step)
    cards = _Cards(rows, by_file, catalogue)
    return Checked(
        title=title_of(package),
        cards=cards.found,
        pictures={one.picture: one for one in by_file.values()},
        photographs=cards.photographs,
        problems=(
            *amiss_in_rows,
            *amiss_in_pictures,
            *cards.problems,
            *_unnamed(archive, rows),
        ),
    )


def _pictures(
    archive: Archive, rows: Tables, step: Callable[[int, int], None]
) -> tuple[dict[str, CheckedPicture], list[Problem]]:
    """Return every picture that a sound row names, by file, and what is wrong with the others."""
    found: dict[str, CheckedPicture] = {}
    problems: list[Problem] = []
    first: dict[str, int] = {}
    kept: dict[str, str] = {}
    listed = rows.sound["photographs"]
    for done, row in enumerate(listed, start=1):
        file = row.text("picture")
        if file in first:
            words = f"{file} is the picture of row {first[file]} already"
            problems.append(Problem(tables.PHOTOGRAPHS.file, row.line, words))
            continue
        first[file] = row.line
        try:
            if not file.startswith(PICTURES) or file not in archive.sizes:
                raise BadInput(f"the package holds no picture {file[:80]!r} under {PICTURES}")
            one = pictures.check(archive, file)
            if one.picture in kept:
                raise BadInput(f"it is the same picture as {kept[one.picture]}")
            kept[one.picture] = file
            found[file] = one
        except BadInput as problem:
            words = f"{file}: {problem}" if file in archive.sizes else str(problem)
            problems.append(Problem(tables.PHOTOGRAPHS.file, row.line, words))
        step(done, len(listed))
    return found, problems


def _unnamed(archive: Archive, rows: Tables) -> Iterable[Problem]:
    """Yield the files that nothing names: they would be lost, or are not meant to be there."""
    known = {DESCRIPTOR, *(table.file for table in tables.TABLES)}
    known.update(row.text("picture") for row in rows.all("photographs"))
    for name in archive.sizes:
        if name not in known:
            yield Problem(name, 0, "no table of the package names it: take it out")


class _Cards:
    """The cards of the tables, each held against the rules by which a lead makes one."""

    def __init__(
        self, rows: Tables, by_file: dict[str, CheckedPicture], catalogue: Catalogue
    ) -> None:
        self.problems: list[Problem] = []
        self.photographs: dict[tuple[str, str], int] = {}
        self._by_file = by_file
        self._catalogue = catalogue
        self._of: dict[str, dict[str, list[Row]]] = {
            table.name: _by_card(rows.sound[table.name]) for table in tables.TABLES[1:]
        }
        self._unreadable = {id(row) for row in rows.sound["regions"] if self._misdrawn(row)}
        self._unsound = {
            table.name: {row.text("card") for row in rows.unsound[table.name]}
            for table in tables.TABLES[1:]
        }
        sound = (self._checked(row) for row in rows.sound["cards"])
        self.found = tuple(one for one in sound if one is not None)

    def _checked(self, row: Row) -> CheckedCard | None:
        before = len(self.problems)
        card_id = row.text("id")
        shown = self._photographs(card_id)
        try:
            if len(card_id) > LONGEST_ID or not CARD_ID.fullmatch(card_id):
                raise BadInput(
                    f"a card's id is “school-” and small letters, digits and hyphens, at most "
                    f"{LONGEST_ID} in all; this one is {card_id[:80]!r}"
                )
            card = self._card(row, card_id, shown)
        except BadInput as problem:
            self._tell(tables.CARDS.file, row, str(problem))
            return None
        for one, line in shown:
            for words in amiss(one, card.words, self._catalogue):
                self._tell(tables.PHOTOGRAPHS.file, line, words)
        whole = len(shown) == len(self._of["photographs"].get(card_id, [])) and not any(
            self._blamed(table, card_id) for table in self._unsound
        )
        return CheckedCard(card, row.line) if whole and len(self.problems) == before else None

    def _card(self, row: Row, card_id: str, shown: list[tuple[CardPhotograph, Row]]) -> PackedCard:
        for name in ("version", "position"):
            if not 0 <= row.number(name) <= HIGHEST or (name, row.number(name)) == ("version", 0):
                raise BadInput(f"{name} {row.number(name)} is not within 1 to {HIGHEST:,}")
        drawn = row.text("source") == "rendered"
        recipe = self._recipe(card_id) if drawn else None
        wanted, unwanted = ("recipes", "photographs") if drawn else ("photographs", "recipes")
        if not self._of[wanted].get(card_id) and not self._blamed(wanted, card_id):
            raise BadInput(f"no row of {wanted}.csv belongs to it")
        if self._of[unwanted].get(card_id) or (not drawn and self._of["features"].get(card_id)):
            raise BadInput(
                f"its source is {row.text('source')!r}: it has no rows of {unwanted}.csv"
            )
        if len(self._of["photographs"].get(card_id, [])) > MOST_PHOTOGRAPHS:
            raise BadInput(f"a card has at most {MOST_PHOTOGRAPHS} photographs")
        references = self._of["references"].get(card_id, [])
        if not references and not self._blamed("references", card_id):
            raise BadInput("no row of references.csv says what its lines rest on")
        words = DraftWords(
            title=row.text("title"),
            about=row.text("shows") or NORMAL,
            references="\n".join(one.text("reference") for one in references),
            **{name: row.text(name) for name in LINES},
        ).tidy(self._catalogue)
        credit = " ".join(row.text("words_credit").split())
        if not credit or len(credit) > LONGEST_CREDIT:
            raise BadInput(f"words_credit has 1 to {LONGEST_CREDIT} characters")
        photographs = tuple(one for one, _ in shown)
        kind, mimics, icd10 = self._sort(words, recipe)
        told = row.text("kind"), row.text("mimics")
        if told != (kind, mimics):
            raise BadInput(
                f"kind and mimics are {told[0]!r} and {told[1]!r}; a card that shows "
                f"{words.about!r} has {kind!r} and {mimics!r}"
            )
        if recipe is not None and (recipe.about or NORMAL) != words.about:
            raise BadInput(
                f"it shows {words.about!r}, and its recipe begins with {recipe.about or NORMAL!r}"
            )
        return PackedCard(
            id=card_id,
            version=row.number("version"),
            position=row.number("position"),
            kind=kind,
            mimics=mimics,
            icd10=icd10,
            words=words,
            photographs=photographs,
            words_credit=credit,
            words_licence=row.text("words_licence"),
            recipe=recipe,
        )

    def _sort(self, words: DraftWords, recipe: Recipe | None) -> tuple[str, str, tuple[str, ...]]:
        """Return kind, mimicked finding and codes, as this program makes such a card."""
        if recipe is not None:
            return recipe.kind, recipe.mimics or "", codes_of(recipe, self._catalogue)
        made = card_of("", 0, words, (), self._catalogue)
        return made.kind, made.mimics or "", tuple(made.icd10)

    def _recipe(self, card_id: str) -> Recipe | None:
        """Return a card's recipe, or None where its row is missing or told to be wrong."""
        if not self._of["recipes"].get(card_id) or self._blamed("features", card_id):
            return None
        (row,) = self._of["recipes"][card_id][:1]
        features = self._of["features"].get(card_id, [])
        table = recipe_table(row.cells, [one.cells for one in features])
        try:
            return read_recipe(table, self._catalogue.views)
        except BadRecipe as problem:
            for one in problem.problems:
                name, _, number = one.field.partition(".")
                at = features[int(number)] if name == "features" and number else row
                file = tables.RECIPES.file if at is row else tables.FEATURES.file
                self._tell(file, at, f"{one.field}: {one.words}")
            return None

    def _photographs(self, card_id: str) -> list[tuple[CardPhotograph, Row]]:
        regions: dict[int, list[Row]] = defaultdict(list)
        for one in self._of["regions"].get(card_id, []):
            regions[one.number("photograph")].append(one)
        shown = []
        for row in self._of["photographs"].get(card_id, []):
            marks = self._marks(row, regions[row.number("number")])
            kept = self._by_file.get(row.text("picture"))
            try:
                side = read_side(row.text("side"))
                terms = read_terms(
                    *(row.text(name) for name in ("credit", "licence", "source", "statement"))
                )
            except BadInput as problem:
                self._tell(tables.PHOTOGRAPHS.file, row, str(problem))
                continue
            if marks is None or kept is None:
                continue  # told already
            self.photographs[card_id, kept.picture] = row.line
            shown.append(
                (CardPhotograph(kept.picture, kept.bytes, SIDE_PX, side, terms, marks), row)
            )
        return shown

    def _misdrawn(self, row: Row) -> bool:
        """Tell what is wrong with one outline, and whether anything is."""
        try:
            read_marks(_line(row), ())
        except BadInput as problem:
            self._tell(tables.REGIONS.file, row, str(problem).removeprefix("Line 1: "))
            return True
        return False

    def _marks(self, row: Row, regions: list[Row]) -> Marks | None:
        if any(id(one) in self._unreadable for one in regions):
            return None
        try:
            return read_marks("\n".join(map(_line, regions)), row.text("not_judged").split())
        except BadInput as problem:
            self._tell(tables.PHOTOGRAPHS.file, row, str(problem))
            return None

    def _blamed(self, table: str, card_id: str) -> bool:
        """Whether a row that the card needs is there, and is told to be wrong."""
        return card_id in self._unsound[table]

    def _tell(self, file: str, row: Row, words: str) -> None:
        self.problems.append(Problem(file, row.line, words))


def _line(row: Row) -> str:
    """Return an outline as a line of marks."""
    return f"{row.text('marks')} {row.text('points')}"


def _by_card(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Return the rows by card, each card's in the order of their numbers."""
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[row.text("card")].append(row)
    for own in found.values():
        own.sort(key=lambda row: int(row.cells.get("number") or 0))
    return dict(found)
