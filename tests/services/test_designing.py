"""Designed cards: nothing lost between two, reviewed, versioned, and practised like any other."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from uuid import UUID, uuid4

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from server.errors import BadInput, Conflict, NotAllowed, NotFound
from server.jobs.drawing import Task, draw
from server.rendering.features import painters
from server.services import recompute, seeding, stock, study
from server.services.authoring import designing, drafts, preview, reviewing, uploads
from server.services.authoring import published as cards_made
from server.services.authoring.draft import Moved
from server.services.checkpoints import composing
from server.services.cohorts.cards import card_lines
from server.services.exports import cohort_data
from server.services.prepared import PreparedEye
from server.services.progress import progress
from server.services.recipes import Recipe, read_recipe
from server.storage import card_states, cards
from server.storage.engine import Database
from server.storage.models import CardRow, CardVersionRow, DesignEyeRow, EyeRow, LookRow
from tests import accounts, authoring, factories
from tests.authoring import lead
from tests.designing import (
    CATALOGUE,
    design_of,
    designed,
    looked_at,
    published,
    really_drawn,
    recipe,
    sent,
)
from tests.factories import NOON, submission


def test_a_new_design_can_be_drawn_whatever_it_is_about() -> None:
    for about in ("normal", *painters()):
        first = designing.first_recipe(CATALOGUE, about)
        assert read_recipe(first.to_dict(), CATALOGUE.views) == first
        assert first.about == ("" if about == "normal" else about)
    with pytest.raises(BadInput):
        designing.first_recipe(CATALOGUE, "cataract")


def test_words_and_design_are_saved_apart(database: Database) -> None:
    with database.writing() as session:
        one, two = lead(session, "one"), lead(session, "two")
        draft = designed(session, one)
        seen = (draft.words_version, design_of(draft).version)
        words = replace(draft.words, title="By two")
        drafts.save_words(session, CATALOGUE, two, draft.id, words, seen[0], NOON)
        wider = recipe(age=[20, 90])
        both = designing.save_design(session, one, draft.id, wider, seen[1], NOON)
        assert (both.words.title, design_of(both).recipe) == ("By two", wider)


def test_two_who_design_at_once_lose_nothing(database: Database) -> None:
    with database.writing() as session:
        one, two = lead(session, "one"), lead(session, "two")
        draft = designed(session, one)
        seen = design_of(draft).version
        theirs, mine = recipe(side="left"), recipe(side="right")
        saved = designing.save_design(session, two, draft.id, theirs, seen, NOON)
        # The same again, as a retry sends it, is no clash.
        assert designing.save_design(session, two, draft.id, theirs, seen, NOON) == saved
        with pytest.raises(Moved) as clash:
            designing.save_design(session, one, draft.id, mine, seen, NOON)
        assert design_of(clash.value.draft).recipe == theirs
        done = designing.save_design(
            session, one, draft.id, mine, design_of(clash.value.draft).version, NOON
        )
        assert design_of(done).recipe == mine
        acts = [event.act for event in drafts.history(session, done)]
        assert acts == ["designed", "designed", "designed", "saved", "made"]


def test_a_design_takes_no_photographs_and_photographs_no_design(
    database: Database, tmp_path: Path
) -> None:
    with database.writing() as session:
        author = lead(session, "author")
        with pytest.raises(Conflict, match="drawn"):
            authoring.with_photograph(session, author, designed(session, author), tmp_path)
        other = authoring.begun(session, author)
        with pytest.raises(Conflict, match="photographs"):
            designing.save_design(session, author, other.id, recipe(), 1, NOON)
    assert uploads.MOST_PHOTOGRAPHS


def test_a_design_is_sent_once_its_eyes_show_what_it_says(database: Database) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        draft = designed(session, author)
        with pytest.raises(BadInput, match="not drawn yet"):
            sent(session, author, draft)
        looked_at(session, draft, objection="enlarged-cup is not there")
        with pytest.raises(BadInput, match=r"0 show what the card says.*enlarged cup"):
            sent(session, author, draft)
        looked_at(session, draft)
        under = sent(session, author, draft)
        assert under.state == "review"
        with pytest.raises(Conflict, match="take it back"):
            designing.save_design(
                session, author, draft.id, recipe(side="left"), design_of(under).version, NOON
            )
        with pytest.raises(NotAllowed):
            reviewing.approve(session, CATALOGUE, author, draft.id, under.version, NOON)
        assert reviewing.may_decide(session, reviewer, under)


def test_a_remark_is_about_an_eye_that_stays(database: Database) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        draft = designed(session, author)
        looked_at(session, draft)
        under = sent(session, author, draft)
        wanted = preview.eyes_of(design_of(draft).recipe, CATALOGUE, draft.card_id)
        with pytest.raises(NotFound, match="not kept"):
            reviewing.ask_for_change(
                session, reviewer, draft.id, under.version, "Here.", NOON,
                picture="a" * 64, place=(1, 2),
            )  # fmt: skip
        reviewing.ask_for_change(
            session, reviewer, draft.id, under.version, "Here.", NOON,
            picture=wanted[2].name, place=(300, 400),
        )  # fmt: skip
        late = NOON + timedelta(days=400)
        assert len(preview.prune(session, late, keep_at_most=0)) == 3
        found = preview.find(session, wanted[2].name)
        assert found is not None
        assert found[0].state == "drawn"
        assert found[1] == design_of(draft).recipe
        event = drafts.history(session, draft)[0]
        assert (event.picture, event.x, event.y) == (wanted[2].name, 300, 400)


def check_history(database: Database) -> None:
    """Replay every answer: the stored schedules and sums must be what the rules make of them."""
    with database.reading() as session:
        report = recompute.recompute(session)
    assert report.answers
    assert not report.differences


def stocked(session: Session, card_id: str, present: tuple[str, ...], count: int = 3) -> None:
    for _ in range(count):
        factories.eye(session, card_id, present=present)


def answered(session: Session, card_id: str, said: tuple[str, ...]) -> study.Feedback:
    """Meet the card in a round of a new learner and answer it."""
    learner = factories.guest(session)
    for _ in range(60):
        begun = study.start_or_resume_round(session, learner, NOON)
        dealt = study.deal(session, learner, begun.id, NOON)
        if not isinstance(dealt, study.Dealt):
            continue
        version = session.get_one(LookRow, dealt.look.id).card_version_id
        mine = cards.get_version(session, version).card_id == card_id
        given = submission(dealt.look, said if mine else ())
        feedback = study.answer(session, learner, dealt.look.id, given, NOON)
        if mine:
            return feedback
    raise AssertionError("the card never came")


def test_learners_meet_it_and_both_findings_are_marked(database: Database) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        factories.seeded(session, [factories.card_spec("plain", position=1)])
        factories.stock_up(session)
        card_id = published(session, author, reviewer, designed(session, author))
        stocked(session, card_id, ("pale-disc", "enlarged-cup"))
        row = session.get_one(CardRow, card_id)
        assert (row.source, row.origin, row.kind, row.finding) == (
            "rendered", "school", "finding", "pale-disc",
        )  # fmt: skip
        right = answered(session, card_id, ("pale-disc", "enlarged-cup"))
        assert right.outcome == "right"
        assert {one.finding for one in right.findings if one.mark == "hit"} == {
            "pale-disc", "enlarged-cup",
        }  # fmt: skip
        assert right.card.title == "Pale and cupped, our own"
        assert right.card.icd10
        half = answered(session, card_id, ("pale-disc",))
        assert half.outcome != "right"
        assert {one.finding for one in half.findings if one.mark == "miss"} == {"enlarged-cup"}
        # Another start of the program leaves it in use.
        seeding.seed(session, NOON, factories.catalogue([factories.card_spec("plain")]))
        assert not session.get_one(CardRow, card_id).retired
    check_history(database)


def test_to_the_rest_of_the_program_it_is_a_card_like_any_other(database: Database) -> None:
    """Cohorts, checkpoints, exports, the bedside and progress ask nothing of where it is from."""
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        card_id = published(session, author, reviewer, designed(session, author))
        stocked(session, card_id, ("pale-disc", "enlarged-cup"), 6)
        (order,) = stock.next_orders(session, per_card=9, in_hand={}, at_most=1, disk_full=False)
        assert order.wide
        given, spared = factories.guest(session), factories.guest(session)
        cohort = accounts.cohort(session, leads=(author,), members=(given.id,))
        without = accounts.cohort(session, leads=(author,), members=(spared.id,))
        without.left_out = [card_id]
        session.flush()

        look = factories.dealt(session, given)
        both = submission(look, ("pale-disc", "enlarged-cup"))
        assert study.answer(session, given, look.id, both, NOON).outcome == "right"
        with pytest.raises(Conflict, match="no cards"):
            study.start_or_resume_round(session, spared, NOON)

        (line,) = card_lines(session, cohort.id, 1)
        assert line.id == card_id
        standing = progress(session, given, NOON)
        hits = {one.finding: one.hits for one in standing.rendered}
        assert (hits["pale-disc"], hits["enlarged-cup"]) == (1, 1)
        assert standing.photographed == ()
        assert composing.choices(session, frozenset()) == {("pale-disc", "marked"): [card_id]}
        assert composing.choices(session, frozenset([card_id])) == {}
        about = study.start_round_about(session, given, "pale-disc", uuid4(), NOON)
        assert about.planned == 1
    with database.writing() as session:
        export = cohort_data.grant(session, author, cohort.id, cohort_data.What.ANSWERS, NOON)
    rows = list(cohort_data.table(export, database.reading))
    assert [dict(zip([one.name for one in export.columns], row, strict=True))["card"]
            for row in rows] == [card_id]  # fmt: skip


def test_a_change_is_a_new_version_and_history_stays(database: Database) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        card_id = published(session, author, reviewer, designed(session, author))
        stocked(session, card_id, ("pale-disc", "enlarged-cup"))
        learner = factories.guest(session)
        look = factories.dealt(session, learner)
        given = submission(look, ("pale-disc", "enlarged-cup"))
        before = study.answer(session, learner, look.id, given, NOON)
        state = dict(card_states.of_learner(session, learner.id))

        draft_id = cards_made.begin_change(session, author, card_id, NOON)
        assert cards_made.begin_change(session, reviewer, card_id, NOON) == draft_id
        draft = drafts.find(session, draft_id)
        assert design_of(draft).recipe == recipe()
        harder = recipe(age=[60, 90])
        draft = designing.save_design(
            session, author, draft.id, harder, design_of(draft).version, NOON
        )
        words = replace(draft.words, title="Pale and cupped, in the old")
        draft = drafts.save_words(
            session, CATALOGUE, author, draft.id, words, draft.words_version, NOON
        )
        assert published(session, author, reviewer, draft) == card_id

        found = session.scalars(select(CardVersionRow).where(CardVersionRow.card_id == card_id))
        old, new = sorted(found, key=lambda one: one.id)
        assert session.get_one(LookRow, look.id).card_version_id == old.id
        assert Recipe.of_card(old.content["card"]) == recipe()
        assert Recipe.of_card(new.content["card"]) == harder
        assert study.feedback(session, learner, look.id).card.title == before.card.title
        assert card_states.of_learner(session, learner.id) == state
        versions = cards_made.versions(session, card_id)
        assert [(one.number, one.in_use, one.looks) for one in versions] == [
            (2, True, 0), (1, False, 1),
        ]  # fmt: skip
        assert versions[1].recipe == recipe()
        # What is dealt from now on is drawn by the new recipe.
        orders = stock.next_orders(session, per_card=1, in_hand={}, at_most=5, disk_full=False)
        assert [(one.card_id, one.card["age"]) for one in orders] == [(card_id, [60.0, 90.0])]
    check_history(database)


def test_withdrawn_it_comes_no_more_and_figures_stay(database: Database) -> None:
    with database.writing() as session:
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        factories.seeded(session, [factories.card_spec("plain", position=1)])
        factories.stock_up(session)
        card_id = published(session, author, reviewer, designed(session, author))
        stocked(session, card_id, ("pale-disc", "enlarged-cup"))
        answered(session, card_id, ("pale-disc", "enlarged-cup"))
        cards_made.withdraw(session, author, card_id, "Too close to another.", NOON)
        learner = factories.guest(session)
        begun = study.start_or_resume_round(session, learner, NOON)
        assert begun.planned == 1
        made = cards_made.made_card(session, card_id)
        assert (made.retired, made.recipe) == (True, recipe())
        assert cards_made.card_history(session, card_id)[0].remark == "Too close to another."
        cards_made.put_back(session, author, card_id, NOON)
        assert [one.retired for one in cards_made.made_cards(session).cards] == [False]
    check_history(database)


def test_a_shipped_card_is_not_made_here(database: Database) -> None:
    with database.writing() as session:
        author = lead(session, "author")
        factories.seeded(session, [factories.card_spec("plain", position=1)])
        assert cards_made.made_cards(session).cards == ()
        with pytest.raises(NotFound):
            cards_made.begin_change(session, author, "plain", NOON)


def test_the_same_eyes_show_a_change_and_no_others_are_kept_waiting(database: Database) -> None:
    with database.writing() as session:
        one = preview.eyes_of(recipe(), CATALOGUE, "a card")
        two = preview.eyes_of(recipe(age=[60, 80]), CATALOGUE, "a card")
        assert [eye.seed for eye in one] == [eye.seed for eye in two]
        assert len({eye.name for eye in (*one, *two)}) == 8
        assert [eye.severity for eye in one][::3] == [0.6, 0.8]
        assert sorted(eye.severity or 0 for eye in one) == [eye.severity for eye in one]
        others = preview.eyes_of(recipe(), CATALOGUE, "a card", 1)
        assert not {eye.seed for eye in one} & {eye.seed for eye in others}
        preview.ask(session, one, NOON)
        assert preview.is_settled(session, one, NOON)
        preview.ask(session, two, NOON + timedelta(seconds=1), [eye.name for eye in one])
        assert session.scalar(select(func.count()).select_from(DesignEyeRow)) == 4
        first = preview.next_order(session, NOON + timedelta(seconds=2))
        assert first is not None
        assert first.name == two[0].name
        # What was forgotten while it was drawn leaves nothing behind.
        preview.forget(session, [eye.name for eye in two])
        assert preview.next_order(session, NOON + timedelta(seconds=2)) is None
        assert {eye.state for eye in preview.look(session, two)} == {"waiting"}
        assert preview.next_order(session, NOON + timedelta(hours=1)) is None


def test_no_more_is_asked_for_than_can_be_drawn(database: Database) -> None:
    with database.writing() as session:
        for number in range(40):
            preview.ask(session, preview.eyes_of(recipe(), CATALOGUE, "a", number), NOON)
        rows = session.scalar(select(func.count()).select_from(DesignEyeRow))
        assert rows == preview.MOST_WAITING


def kept(session: Session, card_id: str, folder: Path) -> EyeRow:
    """Draw an eye for the stock of a card, as the keeper does."""
    version = cards.current_version(session, card_id)
    assert version is not None
    (order,) = stock.next_orders(session, per_card=1, in_hand={}, at_most=5, disk_full=False)
    assert order.card_id == card_id
    for seed in range(1, 12):
        outcome = draw(Task(order.card, order.view, seed, 256, folder))
        if isinstance(outcome, PreparedEye):
            stock.keep_eye(session, order, outcome, NOON)
            session.flush()
            return session.scalars(select(EyeRow).where(EyeRow.card_id == card_id)).one()
    raise AssertionError("no eye was kept")


@pytest.mark.parametrize(
    "wanted",
    [
        recipe(),
        recipe(features=[], view="macula-45"),
        recipe(features=[{"kind": "disc-drusen", "severity": [0.6, 0.9]}], view="disc-30"),
        recipe(
            features=[
                {"kind": "macular-change", "variant": "soft-drusen", "severity": [0.6, 0.9]},
                {"kind": "naevus", "severity": [0.5, 0.9]},
            ],
        ),
    ],
    ids=["two findings", "normal", "look-alike", "finding and look-alike"],
)
def test_its_really_drawn_eyes_are_practised_and_judged(
    database: Database, tmp_path: Path, wanted: Recipe
) -> None:
    with database.writing() as session:
        # What a look-alike resembles is met first.
        met = factories.card_spec("swollen", finding="swollen-margin", position=1)
        factories.seeded(session, [met, factories.card_spec("plain", position=2)])
        factories.stock_up(session)
        author, reviewer = lead(session, "author"), lead(session, "reviewer")
        draft = designed(session, author, wanted)
        really_drawn(session, draft, tmp_path)
        under = sent(session, author, draft)
        reviewing.approve(session, CATALOGUE, reviewer, draft.id, under.version, NOON)
        eye = kept(session, draft.card_id, tmp_path)
        there = tuple(name for name in eye.truth if eye.truth[name]["present"])
        assert set(there) >= set(wanted.findings)
        feedback = answered(session, draft.card_id, there)
        assert feedback.outcome == "right"
        assert all(one.regions for one in feedback.findings if one.finding in wanted.findings)
    check_history(database)


def test_an_unknown_draft_is_told(database: Database) -> None:
    with database.writing() as session, pytest.raises(NotFound):
        designing.save_design(session, lead(session, "a"), UUID(int=uuid4().int), recipe(), 1, NOON)
