"""Prepared eyes in the database: which is fresh to whom, and what is in stock."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple
from uuid import UUID

from sqlalchemy import ColumnElement, and_, case, delete, exists, func, or_, select, update
from sqlalchemy.orm import Session

from server.storage.models import (
    CardRow,
    CardVersionRow,
    CheckpointItemRow,
    EyeRow,
    LookRow,
    WideEyeRow,
)
from server.storage.photographs import NO_RENDERER, PHOTOGRAPH, unseen

UNDRAWN = 0
"""The renderer's version of an eye that is described but was never drawn: it has no pictures,
and no stock deals it. Only the invented school has such eyes."""


class FreshEye(NamedTuple):
    """As much of an eye as dealing needs; its truth and outlines are long."""

    id: int
    seed: int
    looks: int
    picture: str
    renderer_version: int
    view: str
    severity: float | None
    wide_picture: str | None
    """Of the bedside view; None where the eye was not drawn for it."""


class MeasuredEye(NamedTuple):
    """How severe a finding was drawn, and what of it the masks show."""

    variant: str
    severity: float
    measure: float
    unit: str


def fresh_for(
    session: Session,
    learner_id: UUID,
    card_id: str,
    recipe_hash: str,
    renderer_version: int,
    at_most: int,
    severity: float | None = None,
    *,
    wide: bool = False,
) -> Sequence[FreshEye]:
    """Return eyes of a card that the learner has never been shown.

    Those already shown to other learners come first: so the eyes that nobody
    has seen are exactly those in store for whoever is furthest ahead. Where a
    severity is wanted, the nearest of either come first. With ``wide`` only those
    that were drawn for the bedside view come; without it they come last.
    """
    seen = exists().where(LookRow.eye_id == EyeRow.id, LookRow.learner_id == learner_id)
    order: list[ColumnElement[Any]] = [EyeRow.looks.desc()]
    if severity is not None:
        order = [
            case((EyeRow.looks > 0, 0), else_=1),
            func.abs(func.coalesce(EyeRow.severity, severity) - severity),
        ]
    rows = session.execute(
        select(
            EyeRow.id,
            EyeRow.seed,
            EyeRow.looks,
            EyeRow.picture,
            EyeRow.renderer_version,
            EyeRow.view,
            EyeRow.severity,
            WideEyeRow.picture,
        )
        .join(WideEyeRow, WideEyeRow.eye_id == EyeRow.id, isouter=not wide)
        .where(
            EyeRow.card_id == card_id,
            EyeRow.recipe_hash == recipe_hash,
            EyeRow.renderer_version.in_((renderer_version, NO_RENDERER)),
            ~seen,
            _for_practice(),
            or_(EyeRow.source != PHOTOGRAPH, unseen(learner_id)),
        )
        .order_by(*order, EyeRow.id)
        .limit(at_most)
    )
    return [FreshEye(*row) for row in rows]


def cards_with_fresh(
    session: Session, learner_id: UUID, recipes: Collection[str], renderer_version: int
) -> set[str]:
    """Return the cards of which an eye of these recipes was never shown to the learner."""
    seen = exists().where(LookRow.eye_id == EyeRow.id, LookRow.learner_id == learner_id)
    return set(
        session.scalars(
            select(EyeRow.card_id)
            .where(
                EyeRow.recipe_hash.in_(recipes),
                EyeRow.renderer_version.in_((renderer_version, NO_RENDERER)),
                ~seen,
                _for_practice(),
                or_(EyeRow.source != PHOTOGRAPH, unseen(learner_id)),
            )
            .distinct()
        )
    )


def cards_with_wide(
    session: Session, learner_id: UUID, recipes: Collection[str], renderer_version: int
) -> set[str]:
    """Return the cards with an eye drawn for the bedside view that is fresh to the learner."""
    seen = exists().where(LookRow.eye_id == EyeRow.id, LookRow.learner_id == learner_id)
    return set(
        session.scalars(
            select(EyeRow.card_id)
            .join(WideEyeRow, WideEyeRow.eye_id == EyeRow.id)
            .where(
                EyeRow.recipe_hash.in_(recipes),
                EyeRow.renderer_version == renderer_version,
                ~seen,
                _for_practice(),
            )
            .distinct()
        )
    )


def unshown_wide_counts(session: Session, renderer_version: int) -> dict[str, int]:
    """Return, per card, how many eyes that nobody has been shown were drawn for the bedside."""
    rows = session.execute(
        select(EyeRow.card_id, func.count())
        .join(WideEyeRow, WideEyeRow.eye_id == EyeRow.id)
        .where(EyeRow.renderer_version == renderer_version, EyeRow.looks == 0, _for_practice())
        .group_by(EyeRow.card_id)
    )
    return {row[0]: row[1] for row in rows}


def cards_with_near(
    session: Session,
    learner_id: UUID,
    wanted: Mapping[str, tuple[str, float]],
    reach: float,
    renderer_version: int,
) -> set[str]:
    """Return the cards with an eye, fresh to the learner, of about the severity wanted.

    Parameters
    ----------
    wanted : recipe and severity by card.
    reach : how far from it still is about that severity.
    """
    if not wanted:
        return set()
    seen = exists().where(LookRow.eye_id == EyeRow.id, LookRow.learner_id == learner_id)
    near = [
        and_(
            EyeRow.card_id == card_id,
            EyeRow.recipe_hash == recipe_hash,
            EyeRow.severity.between(severity - reach, severity + reach),
        )
        for card_id, (recipe_hash, severity) in wanted.items()
    ]
    return set(
        session.scalars(
            select(EyeRow.card_id)
            .where(or_(*near), EyeRow.renderer_version == renderer_version, ~seen, _for_practice())
            .distinct()
        )
    )


def measured(
    session: Session, finding: str, renderer_version: int, at_most: int
) -> Sequence[MeasuredEye]:
    """Return the latest eyes of the cards about a finding that show it."""
    rows = session.execute(
        select(
            EyeRow.features[(0, "variant")].as_string(),
            EyeRow.severity,
            EyeRow.truth[(finding, "measure")].as_float(),
            EyeRow.truth[(finding, "unit")].as_string(),
        )
        .where(
            EyeRow.card_id.in_(select(CardRow.id).where(CardRow.finding == finding)),
            EyeRow.renderer_version == renderer_version,
            EyeRow.severity.is_not(None),
            EyeRow.truth[(finding, "present")].as_boolean(),
        )
        .order_by(EyeRow.id.desc())
        .limit(at_most)
    )
    return [MeasuredEye(*row) for row in rows]


def _for_practice() -> ColumnElement[bool]:
    """Return the condition that an eye belongs to no checkpoint: there everybody meets it first."""
    return ~exists().where(CheckpointItemRow.eye_id == EyeRow.id)


def count_look(session: Session, eye_id: int) -> None:
    """Note that one more learner was shown the eye."""
    session.execute(update(EyeRow).where(EyeRow.id == eye_id).values(looks=EyeRow.looks + 1))


def unshown_counts(session: Session, renderer_version: int) -> dict[str, int]:
    """Return, per drawn card in use, how many of its usable eyes nobody has been shown."""
    rows = session.execute(
        select(CardRow.id, func.count(EyeRow.id))
        .join(CardVersionRow, _is_current())
        .outerjoin(
            EyeRow,
            and_(
                EyeRow.card_id == CardRow.id,
                EyeRow.recipe_hash == CardVersionRow.recipe_hash,
                EyeRow.renderer_version == renderer_version,
                EyeRow.looks == 0,
                _for_practice(),
            ),
        )
        .where(CardRow.retired.is_(False), CardRow.source != PHOTOGRAPH)
        .group_by(CardRow.id)
    )
    return {row[0]: row[1] for row in rows}


def _is_current() -> ColumnElement[bool]:
    return and_(
        CardVersionRow.card_id == CardRow.id, CardVersionRow.content_hash == CardRow.content_hash
    )


def bytes_kept(session: Session) -> int:
    """Return the size of all pictures of the eyes together."""
    return sum(
        int(session.scalar(select(func.coalesce(func.sum(column), 0))) or 0)
        for column in (EyeRow.bytes, WideEyeRow.bytes)
    )


def remove_outdated(session: Session, renderer_version: int, at_most: int) -> list[str]:
    """Delete eyes nobody was shown and nobody will be; return the hashes of their files.

    Outdated is an eye of an older renderer, of a card since retired, or of a
    recipe since changed. An eye that was shown is history and stays.
    """
    in_use = (
        select(CardVersionRow.recipe_hash)
        .join(CardRow, _is_current())
        .where(CardRow.id == EyeRow.card_id, CardRow.retired.is_(False))
        .correlate(EyeRow)
    )
    outdated = session.scalars(
        select(EyeRow)
        .where(
            EyeRow.source == "rendered",
            EyeRow.looks == 0,
            ~exists().where(LookRow.eye_id == EyeRow.id),
            _for_practice(),
            or_(EyeRow.renderer_version != renderer_version, EyeRow.recipe_hash.not_in(in_use)),
        )
        .limit(at_most)
    ).all()
    if not outdated:
        return []
    ids = [eye.id for eye in outdated]
    wide = session.scalars(select(WideEyeRow).where(WideEyeRow.eye_id.in_(ids))).all()
    files = [name for eye in outdated for name in (eye.picture, eye.twin)]
    files += [name for eye in wide for name in (eye.picture, eye.twin)]
    session.execute(delete(WideEyeRow).where(WideEyeRow.eye_id.in_(ids)))
    session.execute(delete(EyeRow).where(EyeRow.id.in_(ids)))
    return files


def hashes_in_use(session: Session, hashes: Sequence[str]) -> set[str]:
    """Return those of the hashes that some eye still shows."""
    own = select(EyeRow.picture, EyeRow.twin).where(
        or_(EyeRow.picture.in_(hashes), EyeRow.twin.in_(hashes))
    )
    wide = select(WideEyeRow.picture, WideEyeRow.twin).where(
        or_(WideEyeRow.picture.in_(hashes), WideEyeRow.twin.in_(hashes))
    )
    used = {name for query in (own, wide) for row in session.execute(query) for name in row}
    return used & set(hashes)
