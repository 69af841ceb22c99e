"""The eyes of checkpoints on their way: ordered, kept, or tried again with another seed."""

from __future__ import annotations

import secrets
from collections.abc import Collection
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from server.storage import checkpoints as rows
from server.storage.models import EyeRow

SEVERITY_INSISTED_ON = 4
"""Drawings after which the card may choose the severity itself."""


class ItemOrder(NamedTuple):
    """What one eye of a checkpoint is to be."""

    item_id: int
    card_id: str
    recipe_hash: str
    content: dict[str, Any]
    severity: float | None
    seed: int


def wanted(session: Session, in_hand: Collection[int], at_most: int) -> list[ItemOrder]:
    """Return eyes to draw, of the checkpoint that opens first; reads only.

    Parameters
    ----------
    in_hand : items that are being drawn.
    """
    return [
        ItemOrder(
            item.id,
            version.card_id,
            version.recipe_hash,
            version.content,
            item.severity,
            item.seed,
        )
        for item, version in rows.to_draw(session, in_hand, at_most)
    ]


def is_wanted(session: Session, item_id: int) -> bool:
    """Whether an eye is still missing: drawn by nobody else, and not discarded."""
    item = rows.item_row(session, item_id)
    return item is not None and item.eye_id is None


def keep(session: Session, item_id: int, eye: EyeRow) -> None:
    """Put a drawn eye in its place."""
    session.flush()
    item = rows.item_row(session, item_id)
    if item is not None:
        item.eye_id = eye.id


def try_another(session: Session, item_id: int) -> None:
    """Give an eye that did not show what its card says another seed, and in time its severity."""
    item = rows.item_row(session, item_id)
    if item is None or item.eye_id is not None:
        return
    item.tries += 1
    item.seed = secrets.randbits(62)
    if item.tries >= SEVERITY_INSISTED_ON:
        item.severity = None
