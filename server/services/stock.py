"""The stock of prepared eyes: what to draw next, and what became of it.

A learner is never shown an eye twice, and eyes are shared between learners.
Eyes that somebody has seen are dealt first, so those that nobody has seen are
the reserve of whoever is furthest ahead with the card: the stock is topped up
until there are a few of them for every card.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from server.rendering.eye import RENDERER_VERSION
from server.services.checkpoints import drawing
from server.services.checkpoints.drawing import ItemOrder
from server.services.instrument import shows_the_disc
from server.services.prepared import PreparedEye
from server.services.study.rounds import CANNOT_BE_DRAWN_AFTER
from server.storage import card_drafts, cards, design_eyes, eyes, gallery_plates, wishes
from server.storage.models import DrawTallyRow, EyeRow, EyeWishRow, WideEyeRow

PRUNED_AT_ONCE = 50
LONGEST_PROBLEM = 500


@dataclass(frozen=True)
class Order:
    """One eye to be drawn.

    Parameters
    ----------
    card_id, recipe_hash : what it is for.
    card, view : the tables of the card's version in use.
    urgent : a learner is waiting for it.
    in_store : nobody wished for it, and there is another of its card that nobody has seen.
    wished : a learner's round has the card, and nothing (or nothing as severe) to show for it.
    severity : about how severe it should be; None leaves it to the card.
    wide : draw it for the bedside view too.
    item_id, seed : of the checkpoint's eye that it is drawn for; None for practice.
    """

    card_id: str
    recipe_hash: str
    card: Mapping[str, Any]
    view: Mapping[str, Any]
    urgent: bool
    in_store: bool = False
    severity: float | None = None
    wished: bool = False
    wide: bool = False
    item_id: int | None = None
    seed: int | None = None


@dataclass(frozen=True)
class StockLevel:
    """How the stock stands, for the log and the status page."""

    cards: int
    unshown: int
    emptiest: int
    wishes: int
    rejected: int
    failed: int
    cannot_be_drawn: tuple[str, ...]


def next_orders(
    session: Session,
    *,
    per_card: int,
    in_hand: Mapping[str, int],
    at_most: int,
    disk_full: bool,
    items_in_hand: Collection[int] = (),
) -> list[Order]:
    """Return what to draw next: what learners wait for, what they will want, then stock.

    Learners who can be shown an eye, but would learn more from one of another
    severity (or one drawn for the bedside view), come after the cards of which nobody has an
    eye in store. Eyes of checkpoints come after those that somebody is waiting for, and before
    all else. Of the eyes in store of a card, one is drawn for the bedside view: not the
    first, for which somebody may be waiting.

    Parameters
    ----------
    per_card : eyes that nobody has seen to keep for every card.
    in_hand : eyes being drawn now for practice, by card.
    items_in_hand : eyes of checkpoints being drawn now.
    at_most : number of orders wanted.
    disk_full : draw only what is wished for.
    """
    if at_most <= 0:
        return []
    tallies = wishes.draw_tallies(session, RENDERER_VERSION)
    usable = [
        card.id
        for card, recipe_hash in cards.drawn(session)
        if not _cannot_be_drawn(tallies.get((card.id, recipe_hash)))
    ]
    wished = {
        wish.card_id: wish
        for wish in wishes.wished(session)
        if wish.card_id in usable and not in_hand.get(wish.card_id)
    }
    wanted = [name for name, wish in wished.items() if not wish.nearer]
    in_store: set[str] = set()
    no_wide: set[str] = set()
    if not disk_full and len(wanted) < at_most:
        unshown = eyes.unshown_counts(session, RENDERER_VERSION)
        store = {name: unshown.get(name, 0) + in_hand.get(name, 0) for name in usable}
        # The emptiest first; among equals in the order of the curriculum, so that a
        # first learner finds the first cards ready.
        gaps = [name for name in usable if store[name] < per_card and name not in wanted]
        gaps.sort(key=lambda name: store[name])
        nearer = [name for name, wish in wished.items() if wish.nearer]
        empty = [name for name in gaps if store[name] == 0]
        wanted = list(dict.fromkeys([*wanted, *empty, *nearer, *gaps]))
        in_store = {name for name in gaps if store[name] > 0 and name not in nearer}
        no_wide = in_store - eyes.unshown_wide_counts(session, RENDERER_VERSION).keys()
    for_practice = [
        _order(session, name, wished.get(name), in_store=name in in_store, wide=name in no_wide)
        for name in wanted[:at_most]
    ]
    awaited = [order for order in for_practice if order.urgent]
    rest = [order for order in for_practice if not order.urgent]
    items = drawing.wanted(session, items_in_hand, at_most)
    return [*awaited, *(_item_order(one) for one in items), *rest][:at_most]


def _item_order(item: ItemOrder) -> Order:
    return Order(
        item.card_id,
        item.recipe_hash,
        item.content["card"],
        item.content["view"],
        urgent=False,
        severity=item.severity,
        # Somebody wished for it: mere stock, and the gallery, come after it.
        wished=True,
        item_id=item.item_id,
        seed=item.seed,
    )


def _order(
    session: Session, card_id: str, wish: EyeWishRow | None, *, in_store: bool, wide: bool
) -> Order:
    version = cards.current_version(session, card_id)
    assert version is not None
    content = version.content
    return Order(
        card_id,
        version.recipe_hash,
        content["card"],
        content["view"],
        urgent=wish is not None and wish.urgent,
        in_store=in_store,
        severity=None if wish is None else wish.severity,
        wished=wish is not None,
        wide=(wide or (wish is not None and wish.wide)) and shows_the_disc(content["view"]),
    )


def keep_eye(session: Session, order: Order, eye: PreparedEye, now: datetime) -> None:
    """Put a drawn eye in stock, or in the checkpoint that it was drawn for."""
    if order.item_id is not None and not drawing.is_wanted(session, order.item_id):
        return
    row = EyeRow(
        card_id=order.card_id,
        recipe_hash=order.recipe_hash,
        source="rendered",
        seed=eye.seed,
        renderer_version=eye.renderer_version,
        side=eye.side,
        view=order.card["view"],
        view_title=order.view["name"],
        field_deg=eye.field_deg,
        size_px=eye.size_px,
        picture=eye.picture,
        twin=eye.twin,
        bytes=eye.bytes,
        looks=0,
        severity=eye.features[0]["severity"] if eye.features else None,
        abnormal=eye.abnormal,
        anatomy=eye.anatomy,
        features=eye.features,
        truth=eye.truth,
        outlines=eye.outlines,
        facts=eye.facts,
        created_at=now,
    )
    session.add(row)
    if eye.wide is not None:
        session.flush()
        session.add(WideEyeRow(eye_id=row.id, **asdict(eye.wide)))
    if order.item_id is None:
        wishes.fulfil(session, order.card_id)
    else:
        drawing.keep(session, order.item_id, row)
    tally = wishes.draw_tally(session, order.card_id, order.recipe_hash, eye.renderer_version)
    tally.kept += 1
    tally.failures_running = 0


def note_rejected(session: Session, order: Order, reason: str) -> None:
    """Count an eye whose masks did not show what its card says."""
    tally = wishes.draw_tally(session, order.card_id, order.recipe_hash, RENDERER_VERSION)
    tally.rejected += 1
    _note_problem(tally, reason)
    if order.item_id is not None:
        drawing.try_another(session, order.item_id)
    elif order.severity is not None:
        wishes.widen(session, order.card_id)


def note_failed(session: Session, order: Order, reason: str, *, hopeless: bool) -> None:
    """Count a draw that ended in an error; a hopeless one would end so with every seed."""
    tally = wishes.draw_tally(session, order.card_id, order.recipe_hash, RENDERER_VERSION)
    tally.failed += 1
    if order.item_id is not None:
        drawing.try_another(session, order.item_id)
    _note_problem(tally, reason)
    if hopeless:
        tally.failures_running = max(tally.failures_running, CANNOT_BE_DRAWN_AFTER)


def try_again(session: Session) -> None:
    """Give cards that could not be drawn another chance: the program may have been mended."""
    wishes.forgive(session, RENDERER_VERSION)


def prune(session: Session) -> list[str]:
    """Delete eyes that nobody was or will be shown; return the pictures no eye shows any more.

    The caller deletes the files after the commit.
    """
    candidates = eyes.remove_outdated(session, RENDERER_VERSION, PRUNED_AT_ONCE)
    if not candidates:
        return []
    session.flush()
    return sorted(set(unused_pictures(session, candidates)))


def bytes_kept(session: Session) -> int:
    """Return the size of all pictures in stock, in history, in the gallery and of designs."""
    kept = eyes.bytes_kept(session) + gallery_plates.bytes_kept(session)
    return kept + design_eyes.bytes_kept(session)


def unused_pictures(session: Session, hashes: list[str]) -> list[str]:
    """Return those of the hashes that neither an eye nor a draft, a design or the gallery shows."""
    used = (
        eyes.hashes_in_use(session, hashes)
        | card_drafts.hashes_in_use(session, hashes)
        | design_eyes.hashes_in_use(session, hashes)
        | gallery_plates.hashes_in_use(session, hashes)
    )
    return [name for name in hashes if name not in used]


def level(session: Session) -> StockLevel:
    """Return how the stock stands."""
    unshown = eyes.unshown_counts(session, RENDERER_VERSION)
    current = {(card.id, recipe_hash) for card, recipe_hash in cards.drawn(session)}
    tallies = wishes.draw_tallies(session, RENDERER_VERSION)
    return StockLevel(
        cards=len(unshown),
        unshown=sum(unshown.values()),
        emptiest=min(unshown.values(), default=0),
        wishes=len(wishes.wished(session)),
        rejected=sum(tally.rejected for tally in tallies.values()),
        failed=sum(tally.failed for tally in tallies.values()),
        cannot_be_drawn=tuple(
            sorted(
                key[0]
                for key, tally in tallies.items()
                if key in current and _cannot_be_drawn(tally)
            )
        ),
    )


def _cannot_be_drawn(tally: DrawTallyRow | None) -> bool:
    return tally is not None and tally.failures_running >= CANNOT_BE_DRAWN_AFTER


def _note_problem(tally: DrawTallyRow, reason: str) -> None:
    tally.failures_running += 1
    tally.last_problem = reason[:LONGEST_PROBLEM]
