"""Composing a round: which cards, and in which order.

What the evidence asks of a round, and where it comes from:

- what is due comes first, and what was wrong although the learner was sure
  comes first of all (Price et al., *Acad Med* 2024);
- a finding is first met in a short block beside its closest look-alike, then
  mixed with the others: seeing the difference is what teaches (Kang & Pashler
  2012), and mixing beats blocks on new pictures (Rozenshtein et al. 2016);
- between 40 and 60 % of the eyes are abnormal, where novices read best (Ethell
  & Manning 2001);
- a learner's spare minutes are used: when nothing is due, the cards nearest to
  being due are practised ahead.

Given the same cards, day, length and state of ``rng``, a round is the same
whatever the order in which the cards were listed.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from random import Random

from server.errors import BadInput
from server.scheduling.case_mix import Choice
from server.scheduling.days import days_between
from server.scheduling.sequence import MixedOrder, Slot
from server.scheduling.sm2 import CardState

LONGEST_ROUND = 200

NEW_SHARE = 1 / 3
"""New cards admitted to a round when the caller has no forecast."""

CONFIDENT_ERROR_SHARE = 1 / 2
"""Confident errors come first, up to this share (half of it abnormal, half not), so
that no card of either kind starves."""

SHORTEST_IN_PROPORTION = 7
"""Days; shorter intervals do not count as more urgent."""

FIRST_MEETINGS = 2
"""Findings first met in one round, as long as other cards can fill it."""


@dataclass(frozen=True, slots=True)
class CardInPlay(Slot):
    """A card of one learner as the composer sees it.

    Parameters
    ----------
    id : the card's name.
    finding : what it is about; None for a normal eye or a look-alike.
    state : the learner's schedule for it.
    mimics : for a look-alike, the finding it resembles.
    order : place in the curriculum; plain examples before subtle ones.
    confident_error : the last answer was wrong although the learner was sure.
    owes_repeat : today's answer asks for another look today, not yet taken.
    seen_today : looked at today, also for mere practice.
    confusions : how often the learner took this look-alike for the finding, less
        how often they have told it apart since.
    """

    state: CardState
    mimics: str | None = None
    order: int = 0
    confident_error: bool = False
    owes_repeat: bool = False
    seen_today: bool = False
    confusions: int = 0


def overdue(state: CardState, today: date) -> float:
    """Return how far through its interval a card is: 1 on its day, 2 at twice the interval.

    Intervals below a week count as a week. Otherwise cards that keep failing,
    and so have intervals of a day, would take the whole round whenever more is
    due than fits, while well-kept ones decay; simulated learners keep more of
    the deck this way, under either model of `simulation.memory_models`.
    """
    return days_between(state.last_on, today) / max(SHORTEST_IN_PROPORTION, state.interval_days)


def compose(
    cards: Sequence[CardInPlay],
    today: date,
    length: int,
    rng: Random,
    *,
    new_limit: int | None = None,
    most_new: int | None = None,
) -> list[str]:
    """Return the ids of the cards of a round, in the order of their looks.

    No card comes twice. The round is shorter than ``length`` only when the
    cards run out, or when all that is left is one finding and would have to
    come a third time running. The share of abnormal eyes is kept as long as
    both kinds of card last.

    Parameters
    ----------
    cards : every card in play, new ones included.
    today : the learner's local day.
    length : looks wanted, 1 to 200.
    rng : source of the mixing.
    new_limit : how many new cards to admit (see `forecast.admissible`); their
        room is kept even when more is due than fits. If None, at most a third
        of the round, and only in the room that due cards leave.
    most_new : how many to admit when nothing is left to practise ahead (see
        `forecast.admissible_to_spare`); None sets no bound. Beyond it today's
        cards are looked at again, and only then do more new ones come.

    Raises
    ------
    BadInput : the length is out of range, or two cards have the same id.
    """
    if not 1 <= length <= LONGEST_ROUND:
        raise BadInput(f"a round of {length} eyes is outside 1 to {LONGEST_ROUND}")
    if len({card.id for card in cards}) != len(cards):
        raise BadInput("a card is listed twice: every card of a learner comes once")
    unmet = sum(card.state.is_new for card in cards)
    limit = min(unmet, round(length * NEW_SHARE) if new_limit is None else new_limit)
    met = _met(cards)
    if limit == 1 and not any(_may_follow(card, met) for card in cards):
        # A finding is first met beside something to tell it from: that takes two.
        limit = min(unmet, 2)
    kept = 0 if new_limit is None else limit

    in_hand: Choice[CardInPlay] = Choice(length)
    tiers = _Tiers(cards, today)
    first = [
        card
        for kind in (True, False)
        for card in _foremost(
            (card for card in tiers.due if card.confident_error),
            kind,
            math.ceil(length * CONFIDENT_ERROR_SHARE / 2),
            tiers.by_overdue,
        )
    ]
    firsts = {card.id for card in first}
    later = tiers.foremost([card for card in tiers.due if card.id not in firsts], length)
    repeats = sorted(tiers.repeats, key=lambda card: (card.order, card.id))

    pieces: list[tuple[CardInPlay, ...]] = []
    in_hand.held = kept // 2
    for tier in (first, later, repeats):
        before_new = length - kept - len(in_hand.taken)
        pieces += _mixed([(card,) for card in in_hand.take(tier, at_most=before_new)], rng)
    in_hand.held = 0
    room = length - len(in_hand.taken)
    most_new = unmet if most_new is None else max(limit, most_new)
    spare = room - len(tiers.ahead)
    wanted = max(min(limit, room), min(spare, most_new), spare - len(tiers.seen))
    blocks, singles = _new_cards(cards, wanted, in_hand)
    pieces += blocks
    wanted -= sum(card.state.is_new for block in blocks for card in block)
    rest = in_hand.take(singles, at_most=wanted)
    rest += in_hand.take(later)
    rest += in_hand.take(tiers.foremost(tiers.ahead, length))
    # Nothing else left: more new cards, then a second look at today's cards
    # (every look is a fresh eye), then whatever the case mix had set aside.
    # Findings not yet met wait for their own block in a later round.
    introduced = met | {card.finding for block in blocks for card in block}
    more = [card for card in _by_group(cards) if _may_follow(card, introduced)]
    seen = sorted(tiers.seen, key=lambda card: (-card.confusions, card.state.easiness, card.id))
    new_so_far = sum(card.state.is_new for card in in_hand.taken.values())
    rest += in_hand.take(more, at_most=max(0, most_new - new_so_far))
    rest += in_hand.take(seen)
    rest += in_hand.take(more)
    rest += in_hand.take_set_aside()
    pieces += _mixed([(card,) for card in rest], rng)
    return [card.id for card in MixedOrder(pieces).arranged()]


class _Tiers:
    """The cards met before, sorted once into what a round may take them for."""

    def __init__(self, cards: Iterable[CardInPlay], today: date) -> None:
        self.today = today
        self.due: list[CardInPlay] = []
        self.ahead: list[CardInPlay] = []
        self.seen: list[CardInPlay] = []
        self.repeats: list[CardInPlay] = []
        for card in cards:
            state = card.state
            if card.seen_today or state.last_on == today:
                self.seen.append(card)
            elif state.due_on is not None:
                (self.due if state.due_on <= today else self.ahead).append(card)
            if card.owes_repeat and not state.is_new:
                self.repeats.append(card)

    def by_overdue(self, card: CardInPlay) -> tuple[float, int, str]:
        """Most overdue in proportion first; a look-alike as often again as it was confused.

        Among equals the harder card comes first, then the name decides.
        """
        late = overdue(card.state, self.today) * (1 + card.confusions)
        return -late, card.state.easiness, card.id

    def foremost(self, cards: Sequence[CardInPlay], length: int) -> list[CardInPlay]:
        """Return enough of the most overdue cards of both kinds to fill a round."""
        chosen = [
            card
            for kind in (True, False)
            for card in _foremost(cards, kind, length, self.by_overdue)
        ]
        return sorted(chosen, key=self.by_overdue)


def _foremost(
    cards: Iterable[CardInPlay],
    abnormal: bool,
    count: int,
    key: Callable[[CardInPlay], tuple[float, int, str]],
) -> list[CardInPlay]:
    return heapq.nsmallest(
        count, (card for card in cards if (card.finding is not None) is abnormal), key=key
    )


def _met(cards: Iterable[CardInPlay]) -> set[str | None]:
    """Return the findings met so far; None stands for eyes without any."""
    return {None} | {card.finding for card in cards if not card.state.is_new}


def _may_follow(card: CardInPlay, introduced: set[str | None]) -> bool:
    """Tell whether a new card is about something the learner has met by now."""
    return card.state.is_new and card.finding in introduced and card.mimics in introduced


def _by_group(cards: Iterable[CardInPlay]) -> list[CardInPlay]:
    """Order new cards so that each finding's first comes before any finding's second."""
    rank: Counter[tuple[str | None, str | None]] = Counter()
    ranked: list[tuple[int, int, str, CardInPlay]] = []
    fresh = (card for card in cards if card.state.is_new)
    for card in sorted(fresh, key=lambda card: (card.order, card.id)):
        group = (card.finding, card.mimics)
        ranked.append((rank[group], card.order, card.id, card))
        rank[group] += 1
    return [card for *_, card in sorted(ranked, key=lambda row: row[:3])]


def order_of_meeting(cards: Iterable[CardInPlay]) -> list[str]:
    """Return the ids of the cards not met yet, in about the order in which they come."""
    return [card.id for card in _by_group(cards)]


def _new_cards(
    cards: Sequence[CardInPlay], wanted: int, in_hand: Choice[CardInPlay]
) -> tuple[list[tuple[CardInPlay, ...]], list[CardInPlay]]:
    """Choose first-meeting blocks (taken at once) and list further new cards."""
    fresh = _by_group(cards)
    introduced = _met(cards)
    blocks: list[tuple[CardInPlay, ...]] = []
    waiting = [card.finding for card in fresh if card.finding not in introduced]
    left = wanted
    for finding in dict.fromkeys(waiting):
        follow = sum(_may_follow(card, introduced) for card in fresh)
        if left < 1 or (len(blocks) >= FIRST_MEETINGS and follow >= left):
            break
        block = _first_meeting(finding, fresh, cards, in_hand, left)
        if not block:
            continue
        left -= sum(card.state.is_new for card in block)
        in_hand.take(block)
        blocks.append(block)
        introduced.add(finding)
    return blocks, [card for card in fresh if _may_follow(card, introduced)]


def _first_meeting(
    finding: str | None,
    fresh: Sequence[CardInPlay],
    cards: Sequence[CardInPlay],
    in_hand: Choice[CardInPlay],
    most_new: int,
) -> tuple[CardInPlay, ...]:
    """Return finding, look-alike, finding again; or what of it can be had."""
    examples = [card for card in fresh if card.finding == finding]
    free = [card for card in cards if card.finding is None and card.id not in in_hand.taken]
    resembling = [card for card in free if card.mimics == finding]
    # A finding without a look-alike of its own is set beside a normal eye.
    beside = min(
        resembling or [card for card in free if card.mimics is None],
        key=lambda card: (-card.confusions, card.order, card.id),
        default=None,
    )
    if beside is None:
        candidates = [tuple(examples[:2]), tuple(examples[:1])]
    else:
        candidates = [(examples[0], beside, *examples[1:2]), (examples[0], beside)]
    for block in candidates:
        if sum(card.state.is_new for card in block) <= most_new and in_hand.fits(block):
            return block
    return ()


def _mixed(pieces: list[tuple[CardInPlay, ...]], rng: Random) -> list[tuple[CardInPlay, ...]]:
    rng.shuffle(pieces)
    return pieces
