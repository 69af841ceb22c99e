"""Plain functions that make a card of photographs, step by step."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path
from uuid import UUID, uuid4

import numpy as np
from PIL import Image
from sqlalchemy.orm import Session

from server.services.attribution import Attribution
from server.services.authoring import drafts, marking, reviewing, uploads
from server.services.authoring.draft import Draft
from server.services.catalogue import load_catalogue
from server.services.photograph_cards import Marks
from tests import accounts, factories
from tests.factories import NOON

CATALOGUE = load_catalogue()
TERMS = Attribution(**factories.TERMS)
LINES = """
disc 100,400 200,400 200,520 100,520
fovea 500,500
pale-disc 400,400 600,400 600,600 400,600
"""
PALE = marking.read_marks(LINES, ["peripheral-pigment"])


def lead(session: Session, name: str) -> UUID:
    return accounts.account(session, name).learner_id


def fundus(number: int) -> bytes:
    """A file whose vessels (here: noise) differ from those of every other number."""
    rng = np.random.default_rng(number)
    coarse = Image.fromarray(rng.integers(0, 255, (40, 40, 3), np.uint8).astype(np.uint8))
    buffer = io.BytesIO()
    coarse.resize((400, 400), Image.Resampling.BICUBIC).save(buffer, "PNG")
    return buffer.getvalue()


def begun(session: Session, author: UUID, about: str = "pale-disc") -> Draft:
    made = drafts.make(session, CATALOGUE, author, uuid4(), about, NOON)
    words = replace(made.words, look_alike="A deep cup keeps a pink rim.")
    return drafts.save_words(session, CATALOGUE, author, made.id, words, made.words_version, NOON)


def with_photograph(
    session: Session, author: UUID, draft: Draft, folder: Path, number: int = 1, **changes: object
) -> tuple[Draft, str]:
    given = {"side": "left", "attribution": TERMS, "is_another": False, "now": NOON, **changes}
    prepared = uploads.prepare(fundus(number), "eye.png")
    return uploads.add(session, author, draft.id, folder, prepared, **given)  # type: ignore[arg-type]


def marked(session: Session, author: UUID, draft: Draft, picture: str, marks: Marks) -> Draft:
    return marking.save_photograph(
        session,
        author,
        draft.id,
        picture,
        side="left",
        attribution=TERMS,
        marks=marks,
        seen_version=draft.find(picture).version,
        now=NOON,
    )


def ready(session: Session, author: UUID, folder: Path) -> Draft:
    draft, picture = with_photograph(session, author, begun(session, author), folder)
    draft = marked(session, author, draft, picture, PALE)
    return drafts.send(
        session, author, draft.id, reviewing.missing(session, draft, CATALOGUE), NOON
    )
