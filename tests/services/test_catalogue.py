"""Teaching content that is wrong is refused, naming the file and the fault."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from server.errors import BadInput
from server.rendering.eye import FINDINGS
from server.services.catalogue import SEED_DATA, load_catalogue


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SEED_DATA, tmp_path / "seed_data"))


def test_findings_come_in_examination_order() -> None:
    assert tuple(one.slug for one in load_catalogue().findings) == FINDINGS


def test_an_unknown_finding_is_refused_by_name() -> None:
    with pytest.raises(BadInput, match="swollen-margin"):
        load_catalogue().finding("no-such")


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('view = "photograph-45"', 'view = "no-such-view"', "no-such-view"),
        ('kind = "finding"', 'kind = "disease"', "kind"),
        ("[card.teaching]", "[card.teaching]\nrhyme = 'x'", "rhyme"),
        ('icd10 = ["H47.1"]', 'icd10 = ["Z99.9"]', "Z99.9"),
        ("severity = [0.", "severity = [9.", "severity"),
        ('source = "frisen-scale-2023"', 'source = "hearsay"', "hearsay"),
        ("[[card]]", "[[card", "not valid TOML"),
    ],
)
def test_a_wrong_card_is_named(folder: Path, old: str, new: str, named: str) -> None:
    path = folder / "cards" / "swollen-margin.toml"
    text = path.read_text()
    assert old in text
    # Only whole lines of cards, not the explanations above them.
    head, card, rest = text.partition("[[card]]")
    path.write_text(head + (card + rest).replace(old, new, 1))
    with pytest.raises(BadInput, match=named):
        load_catalogue(folder)


def test_two_cards_of_one_name_are_refused(folder: Path) -> None:
    shutil.copy(folder / "cards" / "normal.toml", folder / "cards" / "again.toml")
    with pytest.raises(BadInput, match="an id is used once"):
        load_catalogue(folder)


def test_a_missing_file_is_named(folder: Path) -> None:
    (folder / "views.toml").unlink()
    with pytest.raises(BadInput, match=r"views\.toml cannot be read"):
        load_catalogue(folder)
