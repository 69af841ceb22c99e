"""The library: every kind has its frames and look-alikes, and a short round about a finding."""

from __future__ import annotations

from uuid import uuid4

import pytest

from server.errors import BadInput, Conflict, NotFound
from server.rendering.eye import FINDINGS
from server.rendering.features import floor_of, painters
from server.services import library, study
from server.services.catalogue import load_catalogue
from server.services.library import EYES, beside, choose, claims, frames, views_of
from server.storage import rounds, tallies
from server.storage.engine import Database, Session
from server.storage.models import CardRow
from tests import factories
from tests.factories import NOON

CATALOGUE = load_catalogue()
VARIANTS = [(kind, name) for kind, painter in painters().items() for name in painter.variants]


@pytest.mark.parametrize(("kind", "variant"), VARIANTS)
def test_the_slider_runs_from_healthy_over_the_floor_to_the_top(kind: str, variant: str) -> None:
    steps = frames(kind, variant)
    assert steps[0] == 0
    assert 0 <= steps[1] / 100 - floor_of(kind, variant) < 0.01
    assert steps[-1] == 100
    assert list(steps) == sorted(set(steps))


@pytest.mark.parametrize("kind", list(painters()))
def test_a_kind_opens_on_what_it_is_asked_for_first(kind: str) -> None:
    shown = choose(kind, CATALOGUE)
    assert sorted(map(str, shown.asked_for)) == sorted(map(str, shown.numbers))
    # What is on the screen, then what a thumb may ask for at once.
    assert [one.hundredths for one in shown.asked_for[:2]] == [shown.hundredths, 0]
    assert shown.eye.view == views_of(kind)[0]


@pytest.mark.parametrize("kind", list(painters()))
def test_what_is_set_beside_a_kind_has_a_line_with_its_source(kind: str) -> None:
    others = beside(kind, CATALOGUE)
    assert others
    for other in others:
        assert other.kind != kind
        assert (kind in FINDINGS) is (other.kind not in FINDINGS)
        assert other.tells
        assert other.reference
        library.beside_number(choose(kind, CATALOGUE), other.kind)


def test_every_look_alike_stands_beside_its_finding() -> None:
    for slug, text in CATALOGUE.look_alikes.items():
        assert slug in [other.kind for other in beside(text.mimics, CATALOGUE)]


@pytest.mark.parametrize("kind", list(painters()))
def test_the_lines_of_a_kind_name_their_sources(kind: str) -> None:
    named = " ".join(claim.supports for claim in claims(kind, CATALOGUE, ["sign", "urgency"]))
    assert "sign" in named
    assert "urgency" in named


@pytest.mark.parametrize(
    ("kind", "words", "changes"),
    [
        ("pale-disc", f"1 to {EYES}", {"eye": EYES + 1}),
        ("pale-disc", "photograph, disc", {"view": "ceiling"}),
        ("pale-disc", "diffuse, temporal", {"variant": "green"}),
        ("pale-disc", "right, left", {"side": "middle"}),
        ("pale-disc", "light, medium, dark", {"fundus": "green"}),
    ],
)
def test_what_is_not_offered_is_named_with_what_is(
    kind: str, words: str, changes: dict[str, object]
) -> None:
    with pytest.raises(BadInput, match=words):
        choose(kind, CATALOGUE, **changes)  # type: ignore[arg-type]


def test_a_page_that_is_not_there_says_where_all_are() -> None:
    with pytest.raises(NotFound, match="/library"):
        choose("squint", CATALOGUE)


def test_a_severity_between_two_frames_is_the_nearest() -> None:
    steps = frames("pale-disc", "diffuse")
    assert choose("pale-disc", CATALOGUE, severity=-5).hundredths == 0
    assert choose("pale-disc", CATALOGUE, severity=steps[3] + 1).hundredths == steps[3]
    assert choose("pale-disc", CATALOGUE, severity=999).hundredths == 100


class TestARoundAboutOneFinding:
    def cards_of(self, session: Session, round_id: object) -> list[CardRow]:
        return [planned.card for planned in rounds.not_dealt(session, round_id)]  # type: ignore[arg-type]

    def test_it_holds_the_finding_its_look_alikes_and_normal_eyes(self, database: Database) -> None:
        with database.writing() as session:
            specs = [factories.card_spec(f"pale-{n}", finding="pale-disc") for n in range(6)]
            specs += [factories.card_spec(f"arc-{n}", mimics="pale-disc") for n in range(3)]
            specs += [factories.card_spec(f"cup-{n}", finding="enlarged-cup") for n in range(6)]
            specs += [factories.card_spec(f"wide-{n}", mimics="enlarged-cup") for n in range(6)]
            specs += [factories.card_spec(f"normal-{n}") for n in range(9)]
            factories.seeded(session, specs)
            learner = factories.guest(session)
            begun = study.start_round_about(session, learner, "pale-disc", uuid4(), NOON)
            cards = self.cards_of(session, begun.id)
            assert begun.planned == len(cards) == 8
            own = [card for card in cards if card.finding == "pale-disc"]
            resembling = [card for card in cards if card.mimics == "pale-disc"]
            normal = [card for card in cards if card.kind == "normal"]
            assert len(own) + len(resembling) + len(normal) == 8
            # Between 40 and 60 % abnormal (Ethell & Manning 2001).
            assert 3.2 <= len(own) <= 4.8
            assert resembling
            assert normal

    def test_a_second_tap_finds_the_first_ones_round(self, database: Database) -> None:
        with database.writing() as session:
            factories.seeded(session)
            learner = factories.guest(session)
            wanted = uuid4()
            first = study.start_round_about(session, learner, "pale-disc", wanted, NOON)
            again = study.start_round_about(session, learner, "pale-disc", wanted, NOON)
            assert first.id == again.id == wanted
            assert again.resumed
            assert len(self.cards_of(session, wanted)) == first.planned

    def test_an_open_round_ends_with_its_answers_kept(self, database: Database) -> None:
        with database.writing() as session:
            factories.seeded(session)
            factories.stock_up(session)
            learner = factories.guest(session)
            look = factories.dealt(session, learner)
            study.answer(session, learner, look.id, factories.submission(look), NOON)
            study.start_round_about(session, learner, "pale-disc", uuid4(), NOON)
            left = rounds.get(session, learner.id, look.round_id)
            assert left is not None
            assert left.left_early
            assert rounds.counts(session, look.round_id).answered == 1

    def test_its_answers_count_like_any_others(self, database: Database) -> None:
        with database.writing() as session:
            factories.seeded(session)
            factories.stock_up(session)
            learner = factories.guest(session)
            study.start_round_about(session, learner, "pale-disc", uuid4(), NOON)
            given = factories.practise(session, learner)
            assert {one.outcome for one in given} == {"right"}
            assert tallies.totals(session, learner.id).answers == len(given) > 0
            assert study.open_round(session, learner) is None

    def test_somebody_elses_round_is_not_given_away(self, database: Database) -> None:
        with database.writing() as session:
            factories.seeded(session)
            one, other = factories.guest(session), factories.guest(session)
            theirs = study.start_round_about(session, other, "pale-disc", uuid4(), NOON)
            with pytest.raises(Conflict, match="reload the page"):
                study.start_round_about(session, one, "pale-disc", theirs.id, NOON)

    def test_without_cards_of_the_finding_there_is_no_round(self, database: Database) -> None:
        with database.writing() as session:
            factories.seeded(session, [factories.card_spec("normal-1")])
            learner = factories.guest(session)
            with pytest.raises(Conflict, match="no cards"):
                study.start_round_about(session, learner, "pale-disc", uuid4(), NOON)
