"""Cards of photographs in the making: nothing lost between two, nobody reviews their own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import select

from server.errors import BadInput, Conflict, NotAllowed, NotFound
from server.rendering.eye import FINDINGS
from server.services import recompute, study
from server.services.authoring import drafts, marking, published, reviewing
from server.services.authoring.draft import Moved
from server.services.photographs import seed_photographs
from server.storage.engine import Database
from server.storage.models import CardRow, CardVersionRow, EyeRow, PhotographRow
from tests import factories
from tests.authoring import (
    CATALOGUE,
    LINES,
    PALE,
    TERMS,
    begun,
    lead,
    marked,
    ready,
    with_photograph,
)
from tests.factories import NOON, submission


def test_a_card_is_made_reviewed_published_and_practised(
    database: Database, tmp_path: Path
) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        draft = ready(session, author, tmp_path)
        assert reviewing.may_decide(session, reviewer, draft)
        for _ in range(2):
            done = reviewing.approve(session, CATALOGUE, reviewer, draft.id, draft.version, NOON)
        assert done.state == "published"
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        assert look.attribution == TERMS
        given = study.answer(
            session, learner, look.id, submission(look, ["pale-disc"], point=(500, 500)), NOON
        )
        assert (given.outcome, given.point_right) == ("right", True)
        assert given.card.title == "Pale disc, photographed"
        assert given.card.icd10 == CATALOGUE.finding("pale-disc").icd10
        card = session.get_one(CardRow, draft.card_id)
        assert (card.origin, card.source, card.finding) == ("school", "photograph", "pale-disc")
        acts = [event.act for event in drafts.history(session, done)]
        assert acts == [
            "published", "sent", "photograph-marked", "photograph-added", "saved", "made",
        ]  # fmt: skip


def test_nobody_reviews_what_they_wrote(database: Database, tmp_path: Path) -> None:
    with database.writing() as session:
        author, second = lead(session, "author"), lead(session, "second")
        draft = ready(session, author, tmp_path)
        assert not reviewing.may_decide(session, author, draft)
        with pytest.raises(NotAllowed, match="somebody else"):
            reviewing.approve(session, CATALOGUE, author, draft.id, draft.version, NOON)
        back = drafts.take_back(session, second, draft.id, NOON)
        changed = drafts.save_words(
            session, CATALOGUE, second, draft.id, replace(back.words, title="Mine too"),
            back.words_version, NOON,
        )  # fmt: skip
        sent = drafts.send(session, author, draft.id, (), NOON)
        assert not reviewing.may_decide(session, second, sent)
        with pytest.raises(NotAllowed):
            reviewing.ask_for_change(session, second, draft.id, sent.version, "No.", NOON)
        assert changed.words.title == "Mine too"


def test_two_who_write_at_once_lose_nothing(database: Database, tmp_path: Path) -> None:
    """Different parts go side by side; the same part brings both texts to whoever came second."""
    with database.writing() as session:
        one, two = lead(session, "one"), lead(session, "two")
        draft, picture = with_photograph(session, one, begun(session, one), tmp_path)
    first = replace(draft.words, title="By one", sign="One's sign.")
    second = replace(draft.words, title="By two")
    with database.writing() as session:
        drafts.save_words(session, CATALOGUE, one, draft.id, first, draft.words_version, NOON)
        # The photograph is another part: nobody touched it.
        marked(session, two, draft, picture, PALE)
    with database.writing() as session:
        with pytest.raises(Moved, match="Nothing of yours is lost") as clash:
            drafts.save_words(session, CATALOGUE, two, draft.id, second, draft.words_version, NOON)
        theirs = clash.value.draft
        assert theirs.words == first
        # The same again, from a second tap, is no clash.
        drafts.save_words(session, CATALOGUE, one, draft.id, first, draft.words_version, NOON)
        with pytest.raises(Moved):
            marked(session, one, draft, picture, replace(PALE, fovea=(1, 1)))
        saved = drafts.save_words(
            session, CATALOGUE, two, draft.id, second, theirs.words_version, NOON
        )
        assert saved.words == second
        assert saved.find(picture).photograph.marks == PALE


def test_a_decision_is_on_what_was_seen(database: Database, tmp_path: Path) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        seen = ready(session, author, tmp_path)
        drafts.take_back(session, author, seen.id, NOON)
        drafts.send(session, author, seen.id, (), NOON)
        with pytest.raises(Conflict, match="look again"):
            reviewing.approve(session, CATALOGUE, reviewer, seen.id, seen.version, NOON)
        with pytest.raises(Conflict, match="take it back first"):
            drafts.save_words(
                session, CATALOGUE, author, seen.id, replace(seen.words, title="New"),
                seen.words_version, NOON,
            )  # fmt: skip


def test_a_change_is_asked_for_on_a_place(database: Database, tmp_path: Path) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        draft = ready(session, author, tmp_path)
        picture = draft.photographs[0].photograph.picture
        with pytest.raises(BadInput, match="what should be changed"):
            reviewing.ask_for_change(session, reviewer, draft.id, draft.version, " ", NOON)
        with pytest.raises(NotFound):
            reviewing.ask_for_change(
                session, reviewer, draft.id, draft.version, "There", NOON, picture="0" * 64
            )
        back = reviewing.ask_for_change(
            session, reviewer, draft.id, draft.version, "Wider.", NOON,
            picture=picture, place=(300, 200),
        )  # fmt: skip
        event = drafts.history(session, back)[0]
        assert (back.state, back.can_be_changed) == ("changes", True)
        assert (event.act, event.actor, event.remark, event.picture, event.x, event.y) == (
            "changes-asked", "reviewer", "Wider.", picture, 300, 200,
        )  # fmt: skip


def test_a_new_version_leaves_history_and_schedules(database: Database, tmp_path: Path) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        first = ready(session, author, tmp_path)
        reviewing.approve(session, CATALOGUE, reviewer, first.id, first.version, NOON)
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        study.answer(session, learner, look.id, submission(look, ["pale-disc"]), NOON)
        draft_id = published.begin_change(session, author, first.card_id, NOON)
        assert published.begin_change(session, reviewer, first.card_id, NOON) == draft_id
        draft = drafts.find(session, draft_id)
        assert draft.words == first.words
        draft, picture = with_photograph(session, author, draft, tmp_path, number=2)
        draft = marked(session, author, draft, picture, PALE)
        sent = drafts.send(
            session, author, draft_id, reviewing.missing(session, draft, CATALOGUE), NOON
        )
        reviewing.approve(session, CATALOGUE, reviewer, draft_id, sent.version, NOON)
        assert study.feedback(session, learner, look.id).outcome == "right"
        assert len(session.scalars(select(CardVersionRow)).all()) == 2
        assert factories.dealt(session, learner).picture == picture
        assert recompute.recompute(session).differences == ()


def test_a_card_is_withdrawn_with_a_reason_and_put_back(database: Database, tmp_path: Path) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        draft = ready(session, author, tmp_path)
        reviewing.approve(session, CATALOGUE, reviewer, draft.id, draft.version, NOON)
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        with pytest.raises(BadInput, match="Say why"):
            published.withdraw(session, author, draft.card_id, "  ", NOON)
        for _ in range(2):
            published.withdraw(session, author, draft.card_id, "The source took it down.", NOON)
        given = study.answer(session, learner, look.id, submission(look, ["pale-disc"]), NOON)
        assert given.outcome == "right"
        with pytest.raises(Conflict, match="no cards"):
            study.start_or_resume_round(session, factories.guest(session), NOON)
        events = published.card_history(session, draft.card_id)
        assert [one.remark for one in events if one.act == "withdrawn"] == [
            "The source took it down."
        ]
        published.put_back(session, author, draft.card_id, NOON)
        assert factories.dealt(session, factories.guest(session)).attribution == TERMS


def test_shipped_cards_are_nobodys_to_change(database: Database, tmp_path: Path) -> None:
    with database.writing() as session:
        seed_photographs(session, tmp_path, NOON)
        (made,) = published.made_cards(session).cards
        assert made.shipped
        with pytest.raises(NotAllowed, match="comes with the program"):
            published.withdraw(session, lead(session, "a"), made.id, "No.", NOON)
        with pytest.raises(NotAllowed):
            published.begin_change(session, lead(session, "b"), made.id, NOON)
        with pytest.raises(NotFound):
            published.made_card(session, "nothing")


def test_a_photograph_in_use_outlives_its_drafts(database: Database, tmp_path: Path) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        draft = ready(session, author, tmp_path)
        reviewing.approve(session, CATALOGUE, reviewer, draft.id, draft.version, NOON)
        drafts.drop(
            session, author, published.begin_change(session, author, draft.card_id, NOON), NOON
        )
        assert len(session.scalars(select(PhotographRow)).all()) == 1
        assert session.scalars(select(EyeRow.picture)).all() == [
            draft.photographs[0].photograph.picture
        ]


@pytest.mark.parametrize(
    ("about", "lines", "not_judged", "words"),
    [
        ("pale-disc", "", [], "outline the pale disc that the card is about"),
        ("pale-disc", "", [], "outline the disc, or say"),
        ("pale-disc", LINES.replace("fovea 500,500", ""), [], "mark the fovea"),
        ("normal", LINES, [], "something is outlined"),
        ("disc-drusen", "swollen-margin 1,1 90,1 90,90", [], "only resembles it"),
        ("normal", "", list(FINDINGS), "nothing can be judged"),
    ],
)
def test_what_contradicts_the_card_is_not_sent(
    database: Database, tmp_path: Path, about: str, lines: str, not_judged: list[str], words: str
) -> None:
    with database.writing() as session:
        author = lead(session, "author")
        draft, picture = with_photograph(session, author, begun(session, author, about), tmp_path)
        marks = marking.read_marks(lines, not_judged)
        if marks != draft.find(picture).photograph.marks:
            draft = marked(session, author, draft, picture, marks)
        lacks = reviewing.missing(session, draft, CATALOGUE)
        assert any(words in line for line in lacks), lacks
        with pytest.raises(BadInput, match="Not yet"):
            drafts.send(session, author, draft.id, lacks, NOON)
