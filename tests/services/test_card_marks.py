"""Photographs brought in and marked: known again, read strictly, kept while they are wanted."""

from __future__ import annotations

import io
from pathlib import Path
from uuid import uuid4

import pytest
from PIL import Image
from sqlalchemy import select

from server.errors import BadInput, Conflict, FundusRoundsError
from server.services import stock
from server.services.attribution import SCHOOL_OWNED
from server.services.authoring import drafts, marking, uploads
from server.services.authoring.draft import DraftWords, about_choices
from server.services.photograph_cards import Marks
from server.storage.engine import Database
from server.storage.models import PhotographRow
from server.storage.pictures import picture_path
from tests import factories
from tests.authoring import (
    CATALOGUE,
    PALE,
    TERMS,
    begun,
    fundus,
    lead,
    with_photograph,
)
from tests.factories import NOON
from tests.rendering.broken_images import sound


def test_a_photograph_is_known_again(database: Database, tmp_path: Path) -> None:
    """By its bytes, by its pixels however they were saved, and as its mirror image."""
    with database.writing() as session:
        author = lead(session, "author")
        draft, picture = with_photograph(session, author, begun(session, author), tmp_path)
        again, same = with_photograph(session, author, draft, tmp_path)
        assert (same, len(again.photographs)) == (picture, 1)
        other = begun(session, author)
        with pytest.raises(BadInput, match="here already, in another"):
            with_photograph(session, author, other, tmp_path)
        with Image.open(io.BytesIO(fundus(1))) as image:
            mirrored = image.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
            for changed, words in ((image, "looks like a"), (mirrored, "mirror image")):
                buffer = io.BytesIO()
                changed.resize((320, 320)).save(buffer, "JPEG", quality=60)
                prepared = uploads.prepare(buffer.getvalue(), "eye.jpg")
                with pytest.raises(Conflict, match=words):
                    uploads.add(
                        session, author, other.id, tmp_path, prepared,
                        side="left", attribution=TERMS, is_another=False, now=NOON,
                    )  # fmt: skip
        assert len(list(tmp_path.glob("??/*"))) == 1
        kept, _ = uploads.add(
            session, author, other.id, tmp_path, prepared,
            side="left", attribution=TERMS, is_another=True, now=NOON,
        )  # fmt: skip
        assert len(kept.photographs) == 1


def test_only_pixels_are_kept_and_only_as_long_as_they_are_wanted(
    database: Database, tmp_path: Path
) -> None:
    with database.writing() as session:
        author = lead(session, "author")
        draft = begun(session, author)
        data = sound("JPEG")
        prepared = uploads.prepare(data, "eye.jpg")
        draft, picture = uploads.add(
            session, author, draft.id, tmp_path, prepared,
            side="left", attribution=TERMS, is_another=False, now=NOON,
        )  # fmt: skip
        kept = picture_path(tmp_path, picture).read_bytes()
        with Image.open(io.BytesIO(kept)) as image:
            assert (image.format, image.size) == ("WEBP", (1024, 1024))
            assert not {"exif", "xmp", "icc_profile", "comment"} & set(image.info)
        assert data not in kept
        assert stock.unused_pictures(session, [picture]) == []
        marking.remove_photograph(session, author, draft.id, picture, NOON)
        marking.remove_photograph(session, author, draft.id, picture, NOON)
        assert stock.unused_pictures(session, [picture]) == [picture]
        with_photograph(session, author, draft, tmp_path)
        drafts.drop(session, author, draft.id, NOON)
        assert session.scalars(select(PhotographRow)).all() == []
        with pytest.raises(Conflict, match="dropped"):
            with_photograph(session, author, draft, tmp_path)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("disc 1,1 2,2", "3 to 400 points"),
        ("disc 1,1 2,2 3,3", "encloses nothing"),
        ("disc 1,1 90,1 90,90\ndisc 1,1 90,1 90,91", "one disc"),
        ("fovea 1,1 2,2", "one place"),
        ("fovea 1,1\nfovea 2,2", "one place"),
        ("iris 1,1 90,1 90,90", "neither disc, fovea nor one of"),
        ("disc 1,1 1001,1 90,90", "outside the picture"),
        ("disc 1,1 -5,1 90,90", "no place"),
        ("disc 1;1 90,1 90,90", "no place"),
        ("disc 1,² 90,1 90,90", "no place"),
        ("disc " + "1,1 " * 500, "3 to 400 points"),
        ("\n".join(["pale-disc 1,1 90,1 90,90"] * 61), "at most 60"),
        ("peripheral-pigment 1,1 90,1 90,90", "take one of the two back"),
    ],
)
def test_marks_that_cannot_be_read_are_refused_by_line(line: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        marking.read_marks(line, ["peripheral-pigment"])


def test_marks_come_back_as_they_were_written() -> None:
    assert marking.read_marks(marking.write_marks(PALE), PALE.not_judged) == PALE
    assert Marks.from_dict(PALE.to_dict()) == PALE
    assert marking.read_marks("", []) == Marks()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"licence": "All rights reserved"}, "licence from the list"),
        ({"credit": " "}, "who made"),
        ({"source": ""}, "where it was published"),
        ({"statement": ""}, "on whose consent"),
        ({"statement": "yes"}, "in a sentence"),
        ({"credit": "x" * 501}, "At most 500"),
    ],
)
def test_a_photograph_without_its_terms_is_refused(change: dict[str, str], words: str) -> None:
    given = {**factories.TERMS, **change}
    with pytest.raises(BadInput, match=words):
        marking.read_terms(**given)


def test_the_schools_own_picture_is_credited_without_a_licence_to_pass_on() -> None:
    own = marking.read_terms("Eye clinic", SCHOOL_OWNED, "Our camera", "Written consent on file.")
    assert own.line == "Photograph: Eye clinic, shown with consent"
    assert own.terms == ""


def test_every_kind_that_the_trainer_teaches_can_be_begun(database: Database) -> None:
    with database.writing() as session:
        author = lead(session, "author")
        for about in about_choices(CATALOGUE):
            draft = drafts.make(session, CATALOGUE, author, uuid4(), about, NOON)
            assert draft.words.tidy(CATALOGUE) == draft.words
        with pytest.raises(BadInput, match="from the list"):
            drafts.make(session, CATALOGUE, author, uuid4(), "nothing", NOON)
        once, twice = (
            drafts.make(session, CATALOGUE, author, draft.id, "normal", NOON) for _ in range(2)
        )
        assert once == twice == draft


@pytest.mark.parametrize(
    "change", [{"title": "x" * 81}, {"sign": "x" * 161}, {"about": "?"}, {"references": "x" * 2001}]
)
def test_words_that_do_not_fit_are_refused(change: dict[str, str]) -> None:
    with pytest.raises(FundusRoundsError):
        DraftWords(**change).tidy(CATALOGUE)
