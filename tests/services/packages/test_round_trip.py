"""A package goes from site to site and nothing of it changes."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import frictionless
import pytest
from sqlalchemy import select

from server.errors import BadInput, Conflict
from server.services import photograph_cards, study
from server.services.authoring import drafts, published, reviewing
from server.services.packages import bringing_in
from server.services.photographs import seed_photographs
from server.services.seeding import seed
from server.storage import card_drafts
from server.storage.engine import Database
from server.storage.models import CardRow, CardVersionRow, EyeRow, PhotographRow
from tests import databases, factories
from tests.authoring import CATALOGUE, lead
from tests.factories import NOON, submission
from tests.services.packages.school import (
    DRUSEN,
    OWNED,
    bring_in,
    changed,
    dry_run,
    export,
    files_in,
    look_through,
    make_cards,
    members,
    publish,
    with_cell,
)


@contextmanager
def another_site(tmp_path: Path, migrated_file: Path) -> Iterator[tuple[Database, Path]]:
    """Give the database and picture folder of a site as the program first sets it up."""
    folder = tmp_path / "elsewhere" / "pictures"
    with databases.sqlite_copy(migrated_file, tmp_path / "elsewhere") as fresh:
        with fresh.writing() as session:
            seed(session, NOON)
            seed_photographs(session, folder, NOON)
        yield fresh, folder


def test_a_package_is_valid_by_the_standards_own_library(
    database: Database, tmp_path: Path
) -> None:
    """Source: the `frictionless` library, which validates by the standard's own schema."""
    make_cards(database, tmp_path)
    data = export(database, tmp_path)
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        archive.extractall(tmp_path / "unpacked")
    report = frictionless.validate(tmp_path / "unpacked" / "datapackage.json")
    assert report.valid, report.flatten(["path", "rowNumber", "fieldName", "message"])
    assert {task.name for task in report.tasks} >= {"cards", "references", "photographs", "regions"}
    package = frictionless.Package(tmp_path / "unpacked" / "datapackage.json")
    rows = package.get_table_resource("photographs").read_rows()
    assert [row["licence"] for row in rows].count("CC0-1.0") == 1
    # Each picture carries its terms by the standard's own words too.
    picture = package.get_resource("picture-1")
    assert picture.licenses[0]["name"] in ("CC-BY-4.0", "CC0-1.0")
    assert picture.title in ("Photograph: A. Maker", "Photograph: B. Maker")
    assert {one["name"] for one in package.licenses} == {"CC-BY-4.0"}
    assert "B. Maker" in [one["title"] for one in package.contributors]


def test_the_standards_library_finds_a_row_without_its_card(
    database: Database, tmp_path: Path
) -> None:
    make_cards(database, tmp_path)
    broken = with_cell(export(database, tmp_path), "references", 2, "card", "school-nobody")
    with zipfile.ZipFile(io.BytesIO(broken)) as archive:
        archive.extractall(tmp_path / "unpacked")
    report = frictionless.validate(tmp_path / "unpacked" / "datapackage.json")
    assert [one[0] for one in report.flatten(["type"])] == ["foreign-key"]
    assert (
        [(one.file, one.row) for one in dry_run(database, broken).problems]
        == [
            ("references.csv", 2),
            # The card itself lacks what it rests on now.
        ]
        + [("cards.csv", one.row) for one in dry_run(database, broken).problems[1:]]
    )


def test_a_round_trip_changes_nothing(
    database: Database, tmp_path: Path, migrated_file: Path
) -> None:
    ids = make_cards(database, tmp_path)
    data = export(database, tmp_path)
    with another_site(tmp_path, migrated_file) as (there, folder):
        plan = bring_in(there, data, folder)
        assert {line.outcome for line in plan.lines} == {"new"}
        again = export(there, folder, credit="Somebody else", licence="CC0-1.0")
        ours, theirs = members(data), members(again)
        assert {name: theirs[name] for name in ours if name.endswith(".csv")} == {
            name: ours[name] for name in ours if name.endswith(".csv")
        }
        assert {name: ours[name] for name in ours if name.endswith(".webp")} == {
            name: theirs[name] for name in theirs if name.endswith(".webp")
        }
        with database.reading() as one, there.reading() as other:
            for card_id in ids.values():
                here, came = one.get_one(CardRow, card_id), other.get_one(CardRow, card_id)
                assert here.content_hash == came.content_hash
                assert came.words_credit == "A. School"
        # And the same once more changes nothing, here or there.
        assert {line.outcome for line in bring_in(there, data, folder).lines} == {"same"}
        assert {line.outcome for line in bring_in(there, again, folder).lines} == {"same"}
    assert {line.outcome for line in bring_in(database, again, tmp_path).lines} == {"same"}


def test_what_came_in_a_package_is_practised(
    database: Database, tmp_path: Path, migrated_file: Path
) -> None:
    ids = make_cards(database, tmp_path)
    data = export(database, tmp_path, card_ids=[ids["pale"]])
    with databases.sqlite_copy(migrated_file, tmp_path / "elsewhere") as there:
        bring_in(there, data, tmp_path / "elsewhere" / "pictures")
        with there.writing() as session:
            learner = factories.guest(session)
            look = factories.dealt(session, learner)
            given = study.answer(session, learner, look.id, submission(look, ["pale-disc"]), NOON)
            assert given.outcome == "right"
            assert look.attribution is not None
            assert look.attribution.credit == "A. Maker"
            event = card_drafts.events(session, ids["pale"], 1)[0]
            assert (event.act, event.actor) == ("unpacked", "")
            assert "“Cards of a school”" in event.remark


def newer(database: Database, folder: Path, card_id: str, title: str) -> None:
    """Publish a card's next version."""
    with database.writing() as session:
        author, reviewer = lead(session, f"a {title}"), lead(session, f"r {title}")
        draft_id = published.begin_change(session, author, card_id, NOON)
        draft = drafts.find(session, draft_id)
        draft = drafts.save_words(
            session, CATALOGUE, author, draft_id, replace(draft.words, title=title),
            draft.words_version, NOON,
        )  # fmt: skip
        drafts.send(session, author, draft_id, reviewing.missing(session, draft, CATALOGUE), NOON)
        draft = drafts.find(session, draft_id)
        reviewing.approve(session, CATALOGUE, reviewer, draft_id, draft.version, NOON)


def test_a_newer_version_takes_an_older_ones_place_and_history_keeps_both(
    database: Database, tmp_path: Path, migrated_file: Path
) -> None:
    ids = make_cards(database, tmp_path)
    first = export(database, tmp_path)
    newer(database, tmp_path, ids["pale"], "Second")
    second = export(database, tmp_path)
    with another_site(tmp_path, migrated_file) as (there, folder):
        bring_in(there, first, folder)
        plan = bring_in(there, second, folder)
        found = {line.card.id: (line.outcome, line.here) for line in plan.lines}
        assert found == {
            ids["pale"]: ("newer", 1), ids["normal"]: ("same", 1), ids["drusen"]: ("same", 1)
        }  # fmt: skip
        with there.reading() as session:
            versions = session.scalars(
                select(CardVersionRow).where(CardVersionRow.card_id == ids["pale"])
            ).all()
            assert sorted(one.number for one in versions) == [1, 2]
            assert session.get_one(CardRow, ids["pale"]).title == "Second"
        # An older package comes too late.
        plan = bring_in(there, first, folder)
        assert {line.outcome for line in plan.lines if line.card.id == ids["pale"]} == {"older"}
        with there.reading() as session:
            assert session.get_one(CardRow, ids["pale"]).title == "Second"


def test_two_contents_of_one_version_are_a_problem(
    database: Database, tmp_path: Path, migrated_file: Path
) -> None:
    ids = make_cards(database, tmp_path)
    data = export(database, tmp_path)
    row = sorted(ids.values()).index(ids["normal"]) + 2
    other = with_cell(data, "cards", row, "title", "Another title")
    with another_site(tmp_path, migrated_file) as (there, folder):
        bring_in(there, data, folder)
        before = files_in(folder)
        plan = dry_run(there, other)
        assert [(one.file, one.row) for one in plan.problems] == [("cards.csv", row)]
        assert "version 1 is here with another content" in plan.problems[0].words
        with pytest.raises(BadInput, match="Nothing was brought in"):
            bring_in(there, other, folder)
        assert files_in(folder) == before
        # As the next version it comes in.
        bring_in(there, with_cell(other, "cards", row, "version", "2"), folder)
        with there.reading() as session:
            assert session.get_one(CardRow, ids["normal"]).title == "Another title"


def test_what_leads_here_decided_or_write_is_not_overridden(
    database: Database, tmp_path: Path, migrated_file: Path
) -> None:
    ids = make_cards(database, tmp_path)
    first = export(database, tmp_path)
    for name in ("pale", "normal"):
        newer(database, tmp_path, ids[name], f"Second {name}")
    second = export(database, tmp_path)
    with another_site(tmp_path, migrated_file) as (there, folder):
        bring_in(there, first, folder)
        with there.writing() as session:
            someone = lead(session, "someone")
            published.begin_change(session, someone, ids["pale"], NOON)
            published.withdraw(session, someone, ids["normal"], "Too hard.", NOON)
        told = " ".join(one.words for one in dry_run(there, second).problems)
        assert "draft of its next version open" in told
        assert "withdrawn here" in told
        # What is the same stays withdrawn.
        assert not dry_run(there, first).problems
        bring_in(there, first, folder)
        with there.reading() as session:
            assert session.get_one(CardRow, ids["normal"]).retired


def test_the_schools_own_photographs_are_not_passed_on_unasked(
    database: Database, tmp_path: Path
) -> None:
    ids = make_cards(database, tmp_path)
    with database.writing() as session:
        own = publish(
            session, lead(session, "a"), lead(session, "b"), tmp_path, 4, "disc-drusen", DRUSEN,
            (9,), OWNED,
        )  # fmt: skip
    assert own not in {one.card.id for one in look_through(export(database, tmp_path)).cards}
    asked = look_through(export(database, tmp_path, school_owned=True))
    assert {one.card.id for one in asked.cards} == {*ids.values(), own}
    with pytest.raises(BadInput, match="not for passing on"):
        export(database, tmp_path, card_ids=[own])


def test_a_photograph_that_another_card_shows_is_told(database: Database, tmp_path: Path) -> None:
    ids = make_cards(database, tmp_path)
    data = export(database, tmp_path, card_ids=[ids["normal"]])
    renamed = packed_as(data, ids["normal"], "school-another")
    (problem,) = dry_run(database, renamed).problems
    assert (problem.file, problem.row) == ("photographs.csv", 2)
    assert ids["normal"] in problem.words


def packed_as(data: bytes, card_id: str, other: str) -> bytes:
    for name in ("cards", "references", "photographs", "regions"):
        data = changed(
            data, f"{name}.csv", lambda text: text.replace(card_id.encode(), other.encode())
        )
    return data


def test_what_changed_since_the_dry_run_is_looked_at_again(
    database: Database, tmp_path: Path, migrated_file: Path
) -> None:
    ids = make_cards(database, tmp_path)
    first = export(database, tmp_path)
    newer(database, tmp_path, ids["pale"], "Second")
    second = export(database, tmp_path)
    with another_site(tmp_path, migrated_file) as (there, folder):
        seen = dry_run(there, second).digest
        bring_in(there, first, folder)
        with pytest.raises(Conflict, match="look again"), there.writing() as session:
            bringing_in.bring_in(session, CATALOGUE, look_through(second), None, NOON, seen=seen)


def test_a_failure_half_way_leaves_no_row_and_no_file(
    database: Database, tmp_path: Path, migrated_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The third card cannot be stored: the first two and all pictures are gone again."""
    with databases.sqlite_copy(migrated_file, tmp_path / "here") as here:
        make_cards(here, tmp_path / "here")
        data = export(here, tmp_path / "here")
    stored = photograph_cards.put_in_use
    cards: list[str] = []

    def fails_third(session, card, now):  # type: ignore[no-untyped-def]
        cards.append(card.id)
        if len(cards) == 3:
            raise RuntimeError("the disk is gone")
        return stored(session, card, now)

    monkeypatch.setattr(bringing_in, "put_in_use", fails_third)
    folder = tmp_path / "there"
    with pytest.raises(RuntimeError):
        bring_in(database, data, folder)
    assert files_in(folder) == []
    with database.reading() as session:
        for table in (CardRow, CardVersionRow, EyeRow, PhotographRow):
            assert session.scalars(select(table)).all() == []
    monkeypatch.setattr(bringing_in, "put_in_use", stored)
    bring_in(database, data, folder)
    assert len(files_in(folder)) == 4


def test_a_failure_keeps_the_pictures_that_were_here(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ids = make_cards(database, tmp_path)
    before = files_in(tmp_path)
    data = export(database, tmp_path, card_ids=[ids["pale"]])
    monkeypatch.setattr(bringing_in, "put_in_use", None)
    higher = with_cell(data, "cards", 2, "version", "2")
    higher = with_cell(higher, "cards", 2, "title", "Higher")
    with pytest.raises(TypeError):
        bring_in(database, higher, tmp_path)
    assert files_in(tmp_path) == before
