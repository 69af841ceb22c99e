"""Cards whose eyes are drawn travel by their recipes."""

from __future__ import annotations

import io
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import frictionless
import pytest
from sqlalchemy import func, select

from server.rendering.recipe import FeatureRange
from server.services.designed_cards import DesignedCard, put_in_use
from server.services.recipes import Recipe
from server.storage.engine import Database
from server.storage.models import CardRow, CardVersionRow
from tests import databases
from tests.authoring import CATALOGUE
from tests.factories import NOON
from tests.services.packages.school import (
    bring_in,
    dry_run,
    export,
    files_in,
    look_through,
    make_cards,
    members,
    with_cell,
)

LINES = dict.fromkeys(("sign", "tell", "meaning", "urgency", "look_alike"), "A line.")
CUP = Recipe(
    features=(
        FeatureRange("enlarged-cup", "concentric", (0.35, 0.8)),
        FeatureRange("macular-change", "soft-drusen", (1 / 3, 0.9)),
    ),
    view="photograph-45",
    pigmentation=(0.1, 0.30000000000000004),
    age=(60.0, 80.5),
    side="left",
)
RECIPES = {"school-cup": CUP, "school-plain": Recipe(view="photograph-45")}


def make(database: Database) -> None:
    with database.writing() as session:
        for position, (name, recipe) in enumerate(RECIPES.items(), start=7):
            card = DesignedCard(name, f"Card {name}", position, recipe, LINES, ("A study.",))
            put_in_use(session, CATALOGUE, card, NOON)


def test_a_designed_card_goes_round_and_nothing_changes(
    database: Database, tmp_path: Path, migrated_file: Path
) -> None:
    make(database)
    data = export(database, tmp_path)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        archive.extractall(tmp_path / "unpacked")
    report = frictionless.validate(tmp_path / "unpacked" / "datapackage.json")
    assert report.valid, report.flatten(["path", "rowNumber", "fieldName", "message"])
    assert {one.card.id: one.card.recipe for one in look_through(data).cards} == RECIPES
    with databases.sqlite_copy(migrated_file, tmp_path / "there") as there:
        bring_in(there, data, tmp_path / "there")
        again = export(there, tmp_path / "there")
        assert {name: one for name, one in members(again).items() if name.endswith(".csv")} == {
            name: one for name, one in members(data).items() if name.endswith(".csv")
        }
        with database.reading() as one, there.reading() as other:
            for name in RECIPES:
                ours, theirs = one.get_one(CardRow, name), other.get_one(CardRow, name)
                assert (ours.content_hash, ours.source) == (theirs.content_hash, theirs.source)
        assert {line.outcome for line in bring_in(there, again, tmp_path).lines} == {"same"}


def test_two_who_bring_the_same_package_in_at_once_bring_it_in_once(
    database: Database, tmp_path: Path, migrated_file: Path
) -> None:
    with databases.sqlite_copy(migrated_file, tmp_path / "here") as here:
        make(here)
        make_cards(here, tmp_path / "here")
        data = export(here, tmp_path / "here")
    folder = tmp_path / "there"
    with ThreadPoolExecutor(4) as people:
        plans = list(people.map(lambda _: bring_in(database, data, folder), range(4)))
    outcomes = sorted("/".join({line.outcome for line in plan.lines}) for plan in plans)
    assert outcomes == ["new", "same", "same", "same"]
    with database.reading() as session:
        assert session.scalar(select(func.count()).select_from(CardVersionRow)) == 5
    assert len(files_in(folder)) == 4


@pytest.mark.parametrize(
    ("table", "row", "column", "text", "words"),
    [
        ("features", 2, "severity_from", "0.01", "cannot be seen below"),
        ("features", 2, "kind", "measles", "unknown kind"),
        ("features", 3, "variant", "spots", "no variant"),
        ("features", 2, "severity_to", "2", "rise within"),
        ("recipes", 2, "view", "attic", "is not one of"),
        ("recipes", 2, "camera", "box", "is not one of"),
        ("recipes", 2, "age_to", "", "age"),
        ("recipes", 2, "age_from", "400", "age"),
        ("recipes", 2, "card", "school-nobody", "no row of cards.csv"),
        ("cards", 2, "source", "photograph", "no row of photographs.csv"),
        ("cards", 2, "shows", "pale-disc", "its recipe begins with"),
    ],
)
def test_a_recipe_that_cannot_be_drawn_is_told_by_file_and_row(
    database: Database, tmp_path: Path, table: str, row: int, column: str, text: str, words: str
) -> None:
    make(database)
    broken = with_cell(export(database, tmp_path), table, row, column, text)
    problems = dry_run(database, broken).problems
    assert any(
        (one.file, one.row) == (f"{table}.csv", row) and words in one.words for one in problems
    ), [str(one) for one in problems]
