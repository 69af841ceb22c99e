"""The cards of a learner as the weeks ahead see them: met, or in the order in which they come."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from sqlalchemy.orm import Session

from server.scheduling.rounds import CardInPlay, order_of_meeting
from server.scheduling.sm2 import CardState
from server.services.learners import Learner
from server.services.study.rounds import in_play


@dataclass(frozen=True)
class Deck:
    """The cards that can come in a round.

    Parameters
    ----------
    met : the schedule of each card met, by id.
    waiting : the others, in about the order in which they are first met.
    findings : what each card is about; None for a normal eye or a look-alike.
    """

    met: Mapping[str, CardState]
    waiting: Sequence[str]
    findings: Mapping[str, str | None]


def deck_of(session: Session, learner: Learner, today: date) -> Deck:
    """Return the learner's cards. Reads only."""
    cards: list[CardInPlay] = list(in_play(session, learner.id, today)[0].values())
    return Deck(
        met={card.id: card.state for card in cards if not card.state.is_new},
        waiting=order_of_meeting(cards),
        findings={card.id: card.finding for card in cards},
    )
