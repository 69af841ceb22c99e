"""Plain functions that make a designed card, step by step."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

from sqlalchemy.orm import Session

from server.jobs.design_drawing import DesignTask, draw_design
from server.rendering.truth import Truth
from server.services.authoring import designing, drafts, preview, reviewing
from server.services.authoring.draft import Draft, DraftDesign
from server.services.authoring.prepared import PreparedDesignEye
from server.services.catalogue import load_catalogue
from server.services.recipes import Recipe, read_recipe
from tests import factories
from tests.factories import NOON

CATALOGUE = load_catalogue()

PAIR: dict[str, Any] = {
    "schema": 1,
    "features": [
        {"kind": "pale-disc", "variant": "diffuse", "severity": [0.6, 0.8]},
        {"kind": "enlarged-cup", "variant": "concentric", "severity": [0.55, 0.7]},
    ],
    "view": "photograph-45",
    "pigmentation": None,
    "age": [40.0, 80.0],
    "quality": [0.8, 1.0],
    "side": None,
    "camera": None,
}
"""Two findings in one eye."""


def recipe(**changes: Any) -> Recipe:
    return read_recipe({**PAIR, **changes}, CATALOGUE.views)


def designed(session: Session, author: UUID, wanted: Recipe | None = None) -> Draft:
    """Begin a design with all its words, and save what its eyes have in common."""
    wanted = recipe() if wanted is None else wanted
    about = wanted.about or "normal"
    first = designing.first_recipe(CATALOGUE, about)
    draft = drafts.make(session, CATALOGUE, author, uuid4(), about, NOON, design=first)
    words = replace(
        draft.words,
        title="Pale and cupped, our own",
        **{
            name: getattr(draft.words, name) or f"About {name}."
            for name in ("sign", "tell", "meaning", "urgency", "look_alike")
        },
    )
    draft = drafts.save_words(
        session, CATALOGUE, author, draft.id, words, draft.words_version, NOON
    )
    return designing.save_design(session, author, draft.id, wanted, design_of(draft).version, NOON)


def design_of(draft: Draft) -> DraftDesign:
    assert draft.design is not None
    return draft.design


def looked_at(session: Session, draft: Draft, *, objection: str = "") -> None:
    """Have the eyes of a design stand there as if they had been drawn."""
    wanted = preview.eyes_of(design_of(draft).recipe, CATALOGUE, draft.card_id)
    preview.ask(session, wanted, NOON)
    there = design_of(draft).recipe.findings
    for number, one in enumerate(wanted):
        drawn = {
            "anatomy": {"side": "left", "age": 50.0, "pigmentation": 0.4},
            "features": [],
            "truth": Truth.from_dict(factories.truth_json(there)).to_dict(),
            "outlines": {"disc": [factories.SQUARE]},
            "facts": {"cup_disc_vertical": 0.7},
        }
        order = preview.Order(one.name, one.card, one.view, one.seed, one.severity, 512)
        eye = PreparedDesignEye(f"{one.seed:064x}", 10 + number, objection, drawn)
        preview.keep(session, order, eye, NOON)
    session.flush()


def really_drawn(session: Session, draft: Draft, folder: Path, size_px: int = 256) -> None:
    """Draw the eyes of a design, as the keeper's processes do."""
    preview.ask(session, preview.eyes_of(design_of(draft).recipe, CATALOGUE, draft.card_id), NOON)
    while (order := preview.next_order(session, NOON)) is not None:
        task = DesignTask(order.card, order.view, order.seed, order.severity, size_px, folder)
        preview.keep(session, order, draw_design(task), NOON)
        session.flush()


def sent(session: Session, author: UUID, draft: Draft) -> Draft:
    lacks = reviewing.missing(session, draft, CATALOGUE)
    return drafts.send(session, author, draft.id, lacks, NOON)


def published(session: Session, author: UUID, reviewer: UUID, draft: Draft) -> str:
    """Bring a design through its review and return its card."""
    looked_at(session, draft)
    done = sent(session, author, draft)
    reviewing.approve(session, CATALOGUE, reviewer, done.id, done.version, NOON)
    return done.card_id
