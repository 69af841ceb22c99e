"""The reading page, the opening screens, the safety lines and the glossary."""

from __future__ import annotations

from pathlib import Path

import pytest

from server.errors import BadInput
from server.rendering.eye import FINDINGS
from server.rendering.features import resolve
from server.services.reading import (
    load_glossary,
    load_opening,
    load_reading,
    load_safety,
)
from tests.seed_data.texts import CATALOGUE

PARAGRAPHS = [one for section in load_reading().sections for one in section.paragraphs]
PICTURES = [one.picture for one in PARAGRAPHS if one.picture]


def test_the_page_covers_the_examination_in_order() -> None:
    anchors = [section.id for section in load_reading().sections]
    assert len(set(anchors)) == len(anchors)
    order = ["order", "margin", "colour", "cup", "vessels", "periphery", "macula"]
    assert [anchor for anchor in anchors if anchor in order] == order
    assert {"sides", "ophthalmoscope", "red-reflex", "cautions"} <= set(anchors)


def test_every_finding_is_shown_and_so_is_its_normal() -> None:
    shown = {one.kind for picture in PICTURES for one in picture.features}
    assert set(FINDINGS) <= shown
    assert sum(not picture.features for picture in PICTURES) >= 6
    assert {picture.side for picture in PICTURES} == {"left", "right"}


def test_pictures_can_be_drawn_and_described() -> None:
    for picture in PICTURES:
        assert picture.view in CATALOGUE.views
        resolve(picture.painted)
        assert len(picture.alt) <= 140
        assert picture.alt != picture.caption


def test_paragraphs_name_known_sources() -> None:
    for paragraph in PARAGRAPHS:
        for one in paragraph.sources:
            assert not one.source or one.source in CATALOGUE.sources


def test_cautions_name_every_danger() -> None:
    (cautions,) = [one for one in load_reading().sections if one.id == "cautions"]
    text = " ".join(paragraph.text for paragraph in cautions.paragraphs)
    for word in ("consent", "light", "head injury", "narrow angles", "allergy", "driving", "local"):
        assert word in text, word


def test_opening_says_what_to_do_and_what_it_is_not() -> None:
    screens = load_opening().screens
    assert 1 <= len(screens) <= 3
    assert "not for diagnosis" in screens[-1].text


def test_safety_lines() -> None:
    lines = load_safety()
    for line in (lines.first_page, lines.feedback):
        assert "For education" in line
        assert "diagnosis" in line
    assert "local pathway" in lines.urgency
    assert all(len(line) <= 180 for line in lines.model_dump().values())


def test_glossary_is_alphabetical_and_knows_the_findings_words() -> None:
    words = [one.word for one in load_glossary().words]
    assert words == sorted(words, key=str.lower)
    assert len(set(words)) == len(words)
    assert {"cup", "disc", "drusen", "fovea", "macula", "nasal", "temporal"} <= set(words)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("title = 'x'", "lead"),
        ("title = ", "not valid TOML"),
        (
            "title='x'\nlead='y'\n[[sections]]\nid='a'\ntitle='b'\n[[sections.paragraphs]]\n"
            "text='c'\nsources=[{confidence='read'}]",
            "name a source",
        ),
    ],
)
def test_a_wrong_file_is_named(tmp_path: Path, text: str, complaint: str) -> None:
    (tmp_path / "reading.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match=complaint):
        load_reading(tmp_path)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"safety\.toml cannot be read"):
        load_safety(tmp_path)
