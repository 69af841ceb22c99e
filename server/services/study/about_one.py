"""A short round about one finding, asked for from the library."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from random import Random
from uuid import UUID

from sqlalchemy.orm import Session

from server.errors import Conflict
from server.scheduling.days import local_day
from server.scheduling.rounds import CardInPlay, compose
from server.services.learners import Learner, eyes_in
from server.services.study.results import RoundInfo
from server.services.study.rounds import begin, hold, in_play, info, rng_of
from server.storage import rounds
from server.storage.models import RoundRow

EYES_ABOUT_ONE = 8
"""Enough to meet a finding and its look-alikes a few times each."""

FEWEST_WITHOUT = 4
"""Cards without the finding to choose among; normal eyes make up what look-alikes lack."""
NORMAL_EYES = 2
"""Normal eyes among them in any case: not every other eye may be a look-alike."""


def start_round_about(
    session: Session, learner: Learner, finding: str, round_id: UUID, now: datetime
) -> RoundInfo:
    """Start a short round of one finding, what resembles it, and normal eyes. Writes.

    Its answers count and move schedules like any others. An open round is ended
    as it stands, with its answers kept: a learner has one round at a time.

    Parameters
    ----------
    round_id : made with the button, so that a second tap finds the first one's round.

    Raises
    ------
    Conflict : the id is that of somebody else's round, or there are no such cards.
    """
    row = hold(session, learner)
    mine = rounds.get(session, learner.id, round_id)
    if mine is not None:
        return info(session, mine, resumed=True)
    if session.get(RoundRow, round_id) is not None:
        raise Conflict("This button was used already: reload the page and press it again.")
    current = rounds.open_round(session, learner.id)
    if current is not None:
        current.finished_at = now
        current.left_early = True
        session.flush()
    today = local_day(now, row.timezone)
    found, recipes = in_play(session, learner.id, today)
    rng = rng_of(round_id)
    chosen = _about(finding, found.values(), rng)
    length = min(EYES_ABOUT_ONE, eyes_in(row.round_minutes))
    order = compose(chosen, today, length, rng) if chosen else []
    new_round = RoundRow(
        id=round_id, learner_id=learner.id, started_at=now, finished_at=None, left_early=False
    )
    begin(session, row, new_round, order, found, recipes, now)
    return info(session, new_round, resumed=False)


def _about(finding: str, cards: Iterable[CardInPlay], rng: Random) -> list[CardInPlay]:
    """Return the finding's cards, its look-alikes, and a few normal eyes."""
    listed = list(cards)
    own = [card for card in listed if card.finding == finding]
    if not own:
        return []
    resembling = [card for card in listed if card.mimics == finding]
    normal = sorted(
        (card for card in listed if card.finding is None and card.mimics is None),
        key=lambda card: (card.state.is_new, card.order, card.id),
    )
    wanted = max(NORMAL_EYES, FEWEST_WITHOUT - len(resembling))
    # From the first few: those met before, else the plainest.
    nearest = normal[: 3 * wanted]
    return own + resembling + rng.sample(nearest, min(wanted, len(nearest)))
