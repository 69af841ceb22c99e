"""What a design looks like: a few eyes of it, asked for by whoever looks, drawn by the keeper.

Requests never draw. The first eye of a set is as faint and the last as marked as
the recipe allows, so that both ends are looked at; all else in them is as the
seed has it. The same set of a draft has the same seeds whatever the recipe, so
that a change is seen on the same eyes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final, Literal

from sqlalchemy.orm import Session

from server.rendering.eye import RENDERER_VERSION
from server.rendering.outlines import Region
from server.rendering.truth import Truth
from server.services.authoring.prepared import PreparedDesignEye
from server.services.card_versions import content_hash
from server.services.catalogue import Catalogue
from server.services.recipes import Recipe
from server.storage import design_eyes
from server.storage.models import DesignEyeRow

EYES: Final = 4
"""Of a set: both ends of the severities, and two between."""
LAST_SET: Final = 999
SIZE_PX: Final = 512
"""A third of a desktop's width; about 25 kB."""

EYES_KEPT: Final = 600
"""About 15 MB of files."""
MOST_WAITING: Final = 60
"""Further requests are not taken until some of these are drawn: two cores serve everybody."""
WAITS: Final = timedelta(minutes=10)
"""A request that nobody repeats for so long is forgotten."""
ASKED_AGAIN: Final = timedelta(seconds=30)
LOOKED_AGAIN: Final = timedelta(hours=1)
LONGEST_PROBLEM: Final = 500

State = Literal["drawn", "waiting", "failed"]


@dataclass(frozen=True)
class Wanted:
    """One eye of a design, told well enough to be drawn.

    Parameters
    ----------
    severity : of what the card is about; None for a normal eye.
    """

    recipe: Recipe
    view: Mapping[str, Any]
    seed: int
    severity: float | None

    @property
    def card(self) -> dict[str, Any]:
        """The table that the renderer reads."""
        return {"id": "design", **self.recipe.card_table()}

    @property
    def name(self) -> str:
        """Hash of all that decides the picture but the renderer's version."""
        told = {"card": self.card, "view": dict(self.view), "seed": self.seed}
        return content_hash({**told, "severity": self.severity, "size": SIZE_PX})


@dataclass(frozen=True)
class Order:
    """One eye to be drawn."""

    name: str
    card: Mapping[str, Any]
    view: Mapping[str, Any]
    seed: int
    severity: float | None
    size_px: int


@dataclass(frozen=True)
class DesignEye:
    """One eye of a design, as far as it is there.

    Parameters
    ----------
    state : 'drawn', 'waiting' to be, or 'failed' (then ``problem`` says why).
    objection : why no learner would be shown it; empty where they would.
    truth : None unless drawn; the fields after it are empty then too.
    """

    name: str
    state: State
    severity: float | None = None
    picture: str = ""
    size_px: int = SIZE_PX
    problem: str = ""
    objection: str = ""
    truth: Truth | None = None
    anatomy: Mapping[str, Any] | None = None
    features: Sequence[Mapping[str, Any]] = ()
    outlines: Mapping[str, tuple[Region, ...]] | None = None
    facts: Mapping[str, Any] | None = None


def eyes_of(
    recipe: Recipe, catalogue: Catalogue, of: str, series: int = 0, count: int = EYES
) -> tuple[Wanted, ...]:
    """Return a set of eyes of a recipe, the faintest first.

    Parameters
    ----------
    of : id of the card, in the making or in use. Another card has other eyes.
    series : which set of its eyes, 0 to 999.
    """
    view = catalogue.views[recipe.view].model_dump(mode="json")
    return tuple(
        Wanted(recipe, view, _seed(of, series, place), _severity(recipe, of, series, place, count))
        for place in range(count)
    )


def look(session: Session, wanted: Sequence[Wanted]) -> tuple[DesignEye, ...]:
    """Return the eyes as they stand; nothing is asked for."""
    names = [one.name for one in wanted]
    rows = design_eyes.get_many(session, names)
    return tuple(
        _eye(name, one.severity, rows.get(name)) for name, one in zip(names, wanted, strict=True)
    )


def find(session: Session, name: str) -> tuple[DesignEye, Recipe] | None:
    """Return an eye that somebody remarked on and its recipe; None where it is not kept."""
    return find_all(session, [name]).get(name)


def find_all(session: Session, names: Collection[str]) -> dict[str, tuple[DesignEye, Recipe]]:
    """Return those of the eyes that are kept, each with its recipe, by name."""
    return {
        name: (_eye(name, row.severity, row), Recipe.of_card(row.card))
        for name, row in design_eyes.get_many(session, names).items()
    }


def ask_again(session: Session, names: Collection[str], now: datetime) -> None:
    """Have those of the names drawn anew that a backup brought back without their picture."""
    for row in design_eyes.get_many(session, names).values():
        if not row.picture and (_is_stale(row, now) or row.problem):
            _empty(row)
            row.used_at = now
    session.flush()


def is_settled(session: Session, wanted: Sequence[Wanted], now: datetime) -> bool:
    """Whether `ask` would change nothing, so that no writer's turn is needed."""
    rows = design_eyes.get_many(session, [one.name for one in wanted])
    return len(rows) == len({one.name for one in wanted}) and not any(
        _is_stale(row, now) for row in rows.values()
    )


def ask(
    session: Session, wanted: Sequence[Wanted], now: datetime, instead_of: Collection[str] = ()
) -> None:
    """Ask for eyes to be drawn, or note that those drawn are being looked at. Writes.

    Parameters
    ----------
    instead_of : names asked for before by the same page, no longer wanted.
    """
    names = {one.name: one for one in wanted}
    forget(session, instead_of)
    rows = design_eyes.get_many(session, names)
    stale = [row for row in rows.values() if _is_stale(row, now)]
    for row in stale:
        if row.renderer_version != RENDERER_VERSION:
            _empty(row)
    if stale:
        session.flush()
        design_eyes.touch(session, [row.id for row in stale], now)
    room = MOST_WAITING - design_eyes.count_waiting(session, now - WAITS)
    missing = [one for name, one in names.items() if name not in rows]
    for one in missing[: max(room, 0)]:
        session.add(
            DesignEyeRow(
                name=one.name,
                card=one.card,
                view=dict(one.view),
                seed=one.seed,
                severity=one.severity,
                size_px=SIZE_PX,
                renderer_version=RENDERER_VERSION,
                used_at=now,
                picture="",
                bytes=0,
                problem="",
                objection="",
                drawn={},
            )
        )
    session.flush()


def forget(session: Session, names: Collection[str]) -> None:
    """Have those of the names that are not drawn yet not drawn at all. Writes."""
    if names:
        design_eyes.forget_waiting(session, names)


def next_order(session: Session, now: datetime, in_hand: Collection[str] = ()) -> Order | None:
    """Return the eye to draw next: of those asked for last. None when none waits.

    Parameters
    ----------
    in_hand : names of those being drawn now.
    """
    row = design_eyes.next_waiting(session, RENDERER_VERSION, now - WAITS, in_hand)
    if row is None:
        return None
    return Order(row.name, row.card, row.view, row.seed, row.severity, row.size_px)


def keep(session: Session, order: Order, eye: PreparedDesignEye, now: datetime) -> None:
    """Put a drawn eye where the pages find it; one that was forgotten meanwhile is dropped."""
    row = design_eyes.get_many(session, [order.name]).get(order.name)
    if row is None:
        return
    row.picture, row.bytes, row.drawn = eye.picture, eye.bytes, eye.drawn
    row.objection = eye.objection[:LONGEST_PROBLEM]
    row.used_at = now


def note_failed(session: Session, order: Order, reason: str) -> None:
    """Note why an eye could not be drawn; a change of the design asks for another."""
    for row in design_eyes.get_many(session, [order.name]).values():
        row.problem = reason[:LONGEST_PROBLEM]


def prune(session: Session, now: datetime, keep_at_most: int = EYES_KEPT) -> Sequence[str]:
    """Drop outdated, forgotten and least recently used eyes; return their pictures."""
    gone = design_eyes.remove_unwanted(session, RENDERER_VERSION, now - WAITS, keep_at_most)
    session.flush()
    return gone


def _empty(row: DesignEyeRow) -> None:
    """Have an eye drawn anew: the renderer has changed, and somebody remarked on it."""
    row.renderer_version = RENDERER_VERSION
    row.picture = row.problem = row.objection = ""
    row.bytes, row.drawn = 0, {}


def _is_stale(row: DesignEyeRow, now: datetime) -> bool:
    if row.renderer_version != RENDERER_VERSION:
        return True
    return now - row.used_at >= (LOOKED_AGAIN if row.picture else ASKED_AGAIN)


def _seed(of: str, series: int, place: int) -> int:
    """Return a seed of 62 bits, which no eye in stock is likely ever to have."""
    told = hashlib.sha256(f"{of} {series} {place}".encode()).digest()
    return int.from_bytes(told[:8], "big") >> 2


def _severity(recipe: Recipe, of: str, series: int, place: int, count: int) -> float | None:
    if not recipe.features:
        return None
    low, high = recipe.features[0].severity
    share = place / (count - 1) if count > 1 else 1.0
    if 0 < place < count - 1:
        # Between the ends, somewhere else in every set.
        spread = _seed(of, series, count + place) / 2**62 - 0.5
        share += spread / (count - 1)
    return round(low + share * (high - low), 4)


def _eye(name: str, severity: float | None, row: DesignEyeRow | None) -> DesignEye:
    if row is not None and row.problem:
        return DesignEye(name, "failed", severity, problem=row.problem)
    if row is None or not row.picture:
        return DesignEye(name, "waiting", severity)
    drawn = row.drawn
    return DesignEye(
        name=name,
        state="drawn",
        severity=severity,
        picture=row.picture,
        size_px=row.size_px,
        objection=row.objection,
        truth=Truth.from_dict(drawn["truth"]),
        anatomy=drawn["anatomy"],
        features=drawn["features"],
        outlines={
            kind: tuple(Region.from_dict(region) for region in regions)
            for kind, regions in drawn["outlines"].items()
        },
        facts=drawn["facts"],
    )
