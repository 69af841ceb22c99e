"""The beginning and end of a round."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime
from random import Random
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.errors import Conflict, NotFound
from server.rendering.eye import RENDERER_VERSION
from server.scheduling.days import local_day
from server.scheduling.forecast import admissible, admissible_to_spare
from server.scheduling.rounds import CardInPlay, compose
from server.services.learners import Learner, eyes_in, looks_a_day
from server.services.left_out import left_out
from server.services.study import bedside_looks, fitting
from server.services.study.results import Reason, RoundInfo
from server.services.study.shown import find_round
from server.storage import card_states, cards, eyes, learners, rounds, wishes
from server.storage.models import CardRow, CardStateRow, LearnerRow, RoundItemRow, RoundRow

CANNOT_BE_DRAWN_AFTER = 25
"""Draws in a row that did not show what the card says before rounds leave the card out."""


def hold(session: Session, learner: Learner) -> LearnerRow:
    """Hold the learner until the transaction ends, so that their requests take turns."""
    row = learners.lock(session, learner.id)
    if row is None:
        raise NotFound("This learner no longer exists: start again from the first page.")
    return row


def open_round(session: Session, learner: Learner) -> RoundInfo | None:
    """Return the learner's open round, if there is one. Reads only."""
    current = rounds.open_round(session, learner.id)
    return None if current is None else info(session, current, resumed=True)


def start_or_resume_round(session: Session, learner: Learner, now: datetime) -> RoundInfo:
    """Return the learner's open round, or plan and start one. Writes."""
    row = hold(session, learner)
    current = rounds.open_round(session, learner.id)
    if current is not None:
        return info(session, current, resumed=True)
    today = local_day(now, row.timezone)
    found, recipes = in_play(session, learner.id, today)
    new_round = RoundRow(
        id=uuid4(), learner_id=learner.id, started_at=now, finished_at=None, left_early=False
    )
    order = next_order(row, list(found.values()), today, rng_of(new_round.id))
    begin(session, row, new_round, order, found, recipes, now)
    return info(session, new_round, resumed=False)


def next_order(
    row: LearnerRow, candidates: Sequence[CardInPlay], today: date, rng: Random
) -> list[str]:
    """Return the cards of a learner's next round, in the order of their looks."""
    states = [card.state for card in candidates]
    looks_today = eyes_in(row.daily_minutes)
    return compose(
        candidates,
        today,
        eyes_in(row.round_minutes),
        rng,
        new_limit=admissible(
            states,
            today,
            looks_a_day(row.daily_minutes, row.weekly_goal_days),
            row.rotation_on,
            looks_today=looks_today,
        ),
        most_new=admissible_to_spare(states, today, looks_today),
    )


def begin(
    session: Session,
    row: LearnerRow,
    new_round: RoundRow,
    order: Sequence[str],
    found: Mapping[str, CardInPlay],
    recipes: Mapping[str, str],
    now: datetime,
) -> None:
    """Store a composed round and have the eyes that it lacks drawn. Writes.

    Raises
    ------
    Conflict : the round would hold no eye.
    """
    if not order:
        raise Conflict("There are no cards to practise yet: ask whoever runs this trainer.")
    today = local_day(now, row.timezone)
    session.add(new_round)
    session.flush()
    severities = _severities(session, new_round, order)
    stages = bedside_looks.planned(session, row, order, rng_of(new_round.id))
    for position, card_id in enumerate(order, start=1):
        session.add(
            RoundItemRow(
                round_id=new_round.id,
                position=position,
                card_id=card_id,
                reason=reason_of(found[card_id], today),
                severity=severities[card_id],
                stage=stages.get(card_id),
            )
        )
    row.seen_at = now
    session.flush()
    wanted = {name: recipes[name] for name in order}
    _wish_ahead(session, row.id, wanted, severities, stages.keys(), now)


def leave_round(session: Session, learner: Learner, round_id: UUID, now: datetime) -> None:
    """End the round early; what was answered stays. Leaving twice is no error. Writes.

    Merely closing the page needs no call: the round stays open and resumes.

    Raises
    ------
    NotFound : no such round of this learner.
    """
    hold(session, learner)
    found = find_round(session, learner.id, round_id)
    if found.finished_at is None:
        found.finished_at = now
        found.left_early = True
        session.flush()


def info(session: Session, row: RoundRow, *, resumed: bool) -> RoundInfo:
    """Return how a round stands."""
    planned, answered = rounds.counts(session, row.id)
    return RoundInfo(
        id=row.id,
        planned=planned,
        answered=answered,
        started_at=row.started_at,
        finished_at=row.finished_at,
        resumed=resumed,
    )


def rng_of(round_id: UUID) -> Random:
    """Return the source of a round's mixing: its own id, so that its plan can be made again."""
    return Random(round_id.int)


def _severities(
    session: Session, new_round: RoundRow, order: Collection[str]
) -> dict[str, float | None]:
    """Return how severe the eye of each card should be for this learner."""
    rng = rng_of(new_round.id)
    known = fitting.estimates(session, new_round.learner_id)
    contents = cards.current_contents(session, order)
    return {name: fitting.wanted(contents[name], known, rng) for name in order}


def in_play(
    session: Session, learner_id: UUID, today: date
) -> tuple[dict[str, CardInPlay], dict[str, str]]:
    """Return every card that could come in a round of this learner, and its recipe, by id."""
    states = card_states.of_learner(session, learner_id)
    tallies_of = wishes.draw_tallies(session, RENDERER_VERSION)
    absent = left_out(session, learner_id)
    found, recipes = {}, {}
    for card, recipe_hash in cards.current(session):
        if card.id in absent:
            continue
        drawing = tallies_of.get((card.id, recipe_hash))
        if drawing is not None and drawing.failures_running >= CANNOT_BE_DRAWN_AFTER:
            continue
        found[card.id] = card_in_play(card, states.get(card.id), today)
        recipes[card.id] = recipe_hash
    return found, recipes


def card_in_play(card: CardRow, state: CardStateRow | None, today: date) -> CardInPlay:
    """Return a card as the composer of rounds sees it for one learner."""
    return CardInPlay(
        id=card.id,
        finding=card.finding,
        state=card_states.as_state(state),
        mimics=card.mimics,
        order=card.position,
        confident_error=state is not None and state.last_outcome == "wrong" and state.last_sure,
        owes_repeat=state is not None and state.owes_repeat_on == today,
        seen_today=state is not None and state.seen_on == today,
        confusions=0 if state is None else state.confusions,
    )


def reason_of(card: CardInPlay, today: date) -> Reason:
    """Return why a card comes in a round."""
    if card.state.is_new:
        return "new"
    if card.owes_repeat:
        return "again"
    if card.state.is_due(today):
        return "due"
    return "ahead"


def _wish_ahead(
    session: Session,
    learner_id: UUID,
    recipes: Mapping[str, str],
    severities: Mapping[str, float | None],
    at_bedside: Collection[str],
    now: datetime,
) -> None:
    """Have the eyes that this learner lacks drawn before any other; the first are urgent.

    Nobody waits for an eye of a better severity, or for one drawn for the bedside view: it is
    wished for, and dealt if it is there by the time its turn comes.
    """
    ready = eyes.cards_with_fresh(session, learner_id, recipes.values(), RENDERER_VERSION)
    fitted = {
        card_id: (recipes[card_id], severity)
        for card_id, severity in severities.items()
        if severity is not None and card_id in ready
    }
    near = eyes.cards_with_near(session, learner_id, fitted, fitting.NEAR, RENDERER_VERSION)
    wide = eyes.cards_with_wide(session, learner_id, recipes.values(), RENDERER_VERSION)
    for place, card_id in enumerate(recipes):
        severity = severities[card_id]
        if card_id not in ready:
            wishes.wish(
                session,
                card_id,
                now,
                urgent=place < 3,
                severity=severity,
                # Whoever waits now is shown a photograph, which is drawn sooner.
                wide=card_id in at_bedside and place >= 3,
            )
        elif card_id in at_bedside and card_id not in wide:
            wishes.wish(
                session, card_id, now, urgent=False, severity=severity, nearer=True, wide=True
            )
        elif card_id in fitted and card_id not in near:
            wishes.wish(session, card_id, now, urgent=False, severity=severity, nearer=True)
