"""Composing rounds: what a round must hold whatever the learner's cards are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.errors import BadInput
from server.scheduling.case_mix import abnormal_bounds
from server.scheduling.rounds import CardInPlay, compose, overdue
from server.scheduling.sequence import Slot, longest_run, with_repeat
from server.scheduling.sm2 import NEW, CardState, review_when_due

TODAY = date(2026, 3, 2)
FINDINGS = (
    "swollen-margin",
    "pale-disc",
    "enlarged-cup",
    "new-vessels",
    "peripheral-pigment",
    "macular-change",
)


def state(interval: int, ago: int, easiness: int = 250) -> CardState:
    """Return a card last answered ``ago`` days ago and given ``interval`` days."""
    last = TODAY - timedelta(days=ago)
    return CardState(easiness, 3, interval, last + timedelta(days=interval), last)


def course() -> list[CardInPlay]:
    """Five cards for each finding, two look-alikes for each, eight normal eyes."""
    cards = []
    for number, finding in enumerate(FINDINGS):
        for step in range(5):
            cards.append(CardInPlay(f"{finding}-{step}", finding, NEW, order=10 * number + step))
        for step in range(2):
            cards.append(
                CardInPlay(f"like-{finding}-{step}", None, NEW, finding, order=10 * number + step)
            )
    cards += [CardInPlay(f"normal-{step}", None, NEW, order=step) for step in range(8)]
    return cards


def met(cards: Sequence[CardInPlay], interval: int = 10, ago: int = 4) -> list[CardInPlay]:
    return [replace(card, state=state(interval, ago)) for card in cards]


def round_of(
    cards: Sequence[CardInPlay],
    length: int = 12,
    seed: int = 0,
    new_limit: int | None = None,
    most_new: int | None = None,
) -> list[CardInPlay]:
    by_id = {card.id: card for card in cards}
    return [
        by_id[name]
        for name in compose(
            cards, TODAY, length, Random(seed), new_limit=new_limit, most_new=most_new
        )
    ]


card_states = st.one_of(
    st.just(NEW),
    st.builds(state, st.integers(1, 60), st.integers(0, 90), st.integers(130, 300)),
)


@st.composite
def decks(draw: st.DrawFn) -> list[CardInPlay]:
    kinds = draw(
        st.lists(
            st.one_of(
                st.tuples(st.sampled_from(FINDINGS), st.none()),
                st.tuples(st.none(), st.sampled_from([None, *FINDINGS])),
            ),
            max_size=40,
        )
    )
    return [
        CardInPlay(
            f"card-{number}",
            finding,
            draw(card_states),
            mimics,
            order=draw(st.integers(0, 9)),
            confident_error=draw(st.booleans()),
            owes_repeat=draw(st.booleans()),
            confusions=draw(st.integers(0, 3)),
        )
        for number, (finding, mimics) in enumerate(kinds)
    ]


@settings(max_examples=300)
@given(decks(), st.integers(1, 30), st.integers(0, 5))
def test_no_card_twice_and_no_finding_thrice_running(
    cards: list[CardInPlay], length: int, seed: int
) -> None:
    chosen = round_of(cards, length, seed)
    assert len({card.id for card in chosen}) == len(chosen) <= length
    assert longest_run([card.finding for card in chosen]) <= 2


@settings(max_examples=300)
@given(decks(), st.integers(1, 30), st.integers(0, 5))
def test_time_is_used_as_long_as_cards_that_may_be_shown_last(
    cards: list[CardInPlay], length: int, seed: int
) -> None:
    chosen = round_of(cards, length, seed)
    met_cards = [card for card in cards if not card.state.is_new]
    normals = sum(card.finding is None for card in met_cards)
    if len(met_cards) >= length and normals >= length - abnormal_bounds(length)[0]:
        assert len(chosen) == length


@settings(max_examples=200)
@given(decks(), st.integers(2, 30), st.integers(0, 5))
def test_case_mix_holds_when_both_kinds_are_in_supply(
    cards: list[CardInPlay], length: int, seed: int
) -> None:
    met_cards = [card for card in cards if not card.state.is_new]
    abnormal = sum(card.finding is not None for card in met_cards)
    low, high = abnormal_bounds(length)
    if abnormal >= high and len(met_cards) - abnormal >= length - low:
        chosen = round_of(cards, length, seed)
        assert low <= sum(card.finding is not None for card in chosen) <= high


@given(decks(), st.integers(1, 30), st.integers(0, 5), st.randoms(use_true_random=False))
def test_a_round_depends_on_the_cards_not_on_their_listing(
    cards: list[CardInPlay], length: int, seed: int, shuffler: Random
) -> None:
    listed_otherwise = list(cards)
    shuffler.shuffle(listed_otherwise)
    once = compose(cards, TODAY, length, Random(seed))
    assert once == compose(cards, TODAY, length, Random(seed))
    assert once == compose(listed_otherwise, TODAY, length, Random(seed))


@pytest.mark.parametrize(
    ("length", "bounds"), [(1, (0, 1)), (2, (1, 1)), (3, (1, 2)), (10, (4, 6)), (12, (5, 7))]
)
def test_abnormal_bounds(length: int, bounds: tuple[int, int]) -> None:
    assert abnormal_bounds(length) == bounds


def test_due_cards_come_before_the_rest_and_confident_errors_before_all() -> None:
    cards = met(course())
    due = {"pale-disc-1", "normal-2", "new-vessels-0", "like-pale-disc-0"}
    sure_and_wrong = {"macular-change-3", "normal-5"}
    cards = [
        replace(
            card,
            state=state(2, 3) if card.id in due | sure_and_wrong else card.state,
            confident_error=card.id in sure_and_wrong,
        )
        for card in cards
    ]
    names = [card.id for card in round_of(cards)]
    assert set(names[:2]) == sure_and_wrong
    assert set(names[2:6]) == due
    assert len(names) == 12


def test_the_most_overdue_in_proportion_is_chosen_first() -> None:
    cards = met(course(), interval=10, ago=11)
    cards = [
        # Six days late on a ten-day interval is later than ten on a hundred.
        replace(card, state=state(10, 16) if card.id.endswith("-1") else state(100, 110))
        for card in cards
    ]
    names = [card.id for card in round_of(cards)]
    assert sum(name.endswith("-1") for name in names) == 12


def test_practise_ahead_takes_what_is_nearest_to_due() -> None:
    cards = [
        replace(card, state=state(10, 8) if card.id.endswith(("-0", "-1")) else state(10, 2))
        for card in met(course())
    ]
    assert all(card.id.endswith(("-0", "-1")) for card in round_of(cards))


def test_practise_ahead_goes_by_proportion_and_due_confident_errors_stay_first() -> None:
    def ahead(card: CardInPlay) -> CardInPlay:
        # Fourteen days of seventeen come before thirty of sixty, although those are more days.
        near = card.id.endswith(("-0", "-1"))
        return replace(card, state=state(17, 14) if near else state(60, 30))

    cards = [ahead(card) for card in met(course())]
    wrong = cards[-1]
    cards[-1] = replace(wrong, state=state(2, 2), confident_error=True)
    names = [card.id for card in round_of(cards)]
    assert names[0] == wrong.id
    assert all(name.endswith(("-0", "-1")) for name in names[1:])


def test_a_first_meeting_is_a_short_block_beside_its_look_alike() -> None:
    chosen = round_of(course())
    kinds = [(card.finding, card.mimics) for card in chosen]
    first = chosen[0].finding
    assert first is not None
    assert kinds[:3] == [(first, None), (None, first), (first, None)]
    second = chosen[3].finding
    assert second not in (None, first)
    assert kinds[3:6] == [(second, None), (None, second), (second, None)]
    # Then mixed, without a third finding being thrown in.
    assert {card.finding for card in chosen[6:]} <= {None, first, second}
    assert len(chosen) == 12


@settings(max_examples=300)
@given(decks(), st.integers(1, 30), st.integers(0, 5))
def test_a_finding_never_appears_without_its_first_meeting(
    cards: list[CardInPlay], length: int, seed: int
) -> None:
    known = {card.finding for card in cards if not card.state.is_new}
    chosen = round_of(cards, length, seed)
    for finding in {card.finding for card in chosen} - known - {None}:
        places = [place for place, card in enumerate(chosen) if card.finding == finding]
        neighbours = chosen[places[0] + 1 : places[0] + 2]
        spare = [
            card
            for card in cards
            if card.finding is None and card.mimics in (None, finding) and card not in chosen
        ]
        beside = bool(neighbours) and neighbours[0].finding in (None, finding)
        assert beside or not spare or length < 3


def test_the_look_alike_that_was_confused_most_is_chosen() -> None:
    cards = [
        replace(card, confusions=2) if card.id == "like-swollen-margin-1" else card
        for card in course()
    ]
    assert "like-swollen-margin-1" in [card.id for card in round_of(cards)[:3]]


def test_new_cards_are_held_to_their_limit_while_others_can_fill_the_round() -> None:
    cards = [
        card if card.finding in FINDINGS[3:] or card.mimics in FINDINGS[3:] else old
        for card, old in zip(course(), met(course()), strict=True)
    ]
    for limit in (0, 2, 3, 4, 6):
        new = [card for card in round_of(cards, new_limit=limit) if card.state.is_new]
        assert len(new) <= limit
        assert limit < 3 or new


def test_beyond_their_bound_new_cards_come_after_a_second_look_at_todays() -> None:
    cards = [
        replace(card, state=state(1, 0), seen_today=True) if card.order < 12 else card
        for card in course()
    ]
    assert sum(card.seen_today for card in cards) >= 12
    for bound in (0, 3):
        new = [card for card in round_of(cards, 12, 0, 0, bound) if card.state.is_new]
        assert len(new) == bound
    # Nobody who has met nothing is sent away.
    assert len(round_of(course(), 12, 0, 0, 0)) == 12


def test_a_finding_is_first_met_even_where_only_one_new_card_a_day_fits() -> None:
    """All but one finding is met and overdue; a first meeting takes two, not one."""
    cards = [
        card if "pale-disc" in (card.finding, card.mimics) else old
        for card, old in zip(course(), met(course()), strict=True)
    ]
    late = [card if card.state.is_new else replace(card, state=state(2, 4)) for card in cards]
    new = [card for card in round_of(late, new_limit=1) if card.state.is_new]
    assert {(card.finding, card.mimics) for card in new} == {
        ("pale-disc", None),
        (None, "pale-disc"),
    }


def test_a_finding_with_one_card_left_to_meet_is_met() -> None:
    only = CardInPlay("only", "swollen-margin", NEW)
    others = [card for card in met(course()) if card.finding != "swollen-margin"]
    assert "only" in [card.id for card in round_of([*others, only], new_limit=3)]


def test_a_repeat_owed_from_an_earlier_round_comes_before_new_cards() -> None:
    cards = [
        replace(card, state=state(1, 0), seen_today=True, owes_repeat=True)
        if card.id == "pale-disc-2"
        else card
        for card in met(course())
    ]
    assert round_of(cards)[0].id == "pale-disc-2"


def test_a_second_look_today_only_when_nothing_else_is_left() -> None:
    cards = met(course())
    seen = [replace(card, seen_today=card.id.startswith(("pale", "normal"))) for card in cards]
    assert not any(card.seen_today for card in round_of(seen))
    all_seen = [replace(card, seen_today=True) for card in cards]
    assert len(round_of(all_seen)) == 12


def test_confident_errors_do_not_starve_the_others() -> None:
    cards = [
        replace(card, state=state(2, 3), confident_error=not card.id.endswith("-0"))
        for card in course()
    ]
    chosen = round_of(cards)
    assert sum(card.confident_error for card in chosen[:6]) == 6
    overdue_first = [replace(card, state=state(2, 30)) if card.id.endswith("-0") else card
                     for card in cards]  # fmt: skip
    assert sum(not card.confident_error for card in round_of(overdue_first)) == 6


def test_no_card_starves_under_steady_overload() -> None:
    """Half the cards fail for ever and could fill each round; the others get their turn."""
    deck = {card.id: card for card in met(course(), 3, 3)}
    failing = {name for name in deck if name.endswith(("-0", "-2", "-4"))}
    latest = dict.fromkeys(("failing", "known"), 0.0)
    for day in range(200):
        today = TODAY + timedelta(days=day)
        for name in compose(list(deck.values()), today, 6, Random(day)):
            card = deck[name]
            wrong = name in failing
            kind = "failing" if wrong else "known"
            latest[kind] = max(latest[kind], overdue(card.state, today))
            deck[name] = replace(
                card,
                state=review_when_due(card.state, 0 if wrong else 4, today),
                confident_error=wrong,
            )
    still_waiting = max(overdue(card.state, today) for card in deck.values())
    # 30 failing cards at 6 a day come round in about 5 to 10 days of a 1-day interval.
    assert max(latest.values()) <= 20
    assert still_waiting <= 20


def test_refusals() -> None:
    with pytest.raises(BadInput, match="outside 1 to 200"):
        compose(course(), TODAY, 0, Random(0))
    with pytest.raises(BadInput, match="outside 1 to 200"):
        compose(course(), TODAY, 201, Random(0))
    with pytest.raises(BadInput, match="listed twice"):
        compose(course()[:1] * 2, TODAY, 5, Random(0))
    assert compose([], TODAY, 5, Random(0)) == []


def test_overdue_is_one_on_the_day_itself() -> None:
    assert overdue(state(10, 10), TODAY) == 1.0
    assert overdue(state(10, 20), TODAY) == 2.0
    assert overdue(state(10, 0), TODAY) == 0.0
    # Intervals below a week count as a week.
    assert overdue(state(1, 7), TODAY) == 1.0


slots = st.lists(
    st.builds(Slot, st.uuids().map(str), st.sampled_from([None, *FINDINGS[:3]])), max_size=12
)


@given(slots, st.sampled_from([None, *FINDINGS[:3]]), slots)
def test_a_repeat_comes_late_and_keeps_the_rest_in_order(
    upcoming: list[Slot], finding: str | None, shown: list[Slot]
) -> None:
    card = Slot("again", finding)
    order = with_repeat(upcoming, card, [*shown, card])
    assert [slot for slot in order if slot is not card] == upcoming
    assert order.count(card) == 1
    if upcoming:
        assert order[0] is not card
