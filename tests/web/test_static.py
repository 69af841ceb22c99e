"""Static files: named by content, kept for good, exactly the vendored bytes, and small."""

from __future__ import annotations

import gzip
import hashlib
import json
from pathlib import Path

import pytest

from server.rendering import RENDERER_VERSION
from server.services.reading import PictureRecipe, load_reading
from server.settings import CHECKOUT
from server.web.static import LAYERS, Assets, style_sheet
from tests.web.conftest import Browser

STATIC = CHECKOUT / "static"
VENDORED = [
    line.split()
    for line in (STATIC / "vendor" / "VERSIONS").read_text().splitlines()
    if not line.startswith("#")
]


@pytest.mark.parametrize("entry", VENDORED, ids=lambda entry: str(entry[3]))
def test_vendored_files_are_what_their_packages_ship(entry: list[str]) -> None:
    _, _, _, name, digest = entry
    assert hashlib.sha256((STATIC / "vendor" / name).read_bytes()).hexdigest() == digest


def test_nothing_is_vendored_unnamed() -> None:
    present = {path.name for path in (STATIC / "vendor").iterdir()}
    assert present == {entry[3] for entry in VENDORED} | {"VERSIONS", "refresh"}


def test_a_page_names_files_by_content_and_they_never_change(visitor: Browser) -> None:
    page = visitor.page("/")
    link = page.css_first("link[rel=stylesheet]")
    assert link is not None
    address = link.attributes["href"] or ""
    response = visitor.get(address, **{"Accept-Encoding": "gzip"})
    assert response.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert response.headers["content-encoding"] == "gzip"
    assert response.headers["content-type"] == "text/css; charset=utf-8"
    assert visitor.get(address, **{"Accept-Encoding": "identity"}).text == response.text


def test_an_address_from_before_an_upgrade_is_served_but_not_kept(visitor: Browser) -> None:
    response = visitor.get("/static/0123456789ab/js/look.js")
    assert response.status_code == 200
    assert response.headers["cache-control"] == "no-cache"


@pytest.mark.parametrize("name", ["nothing.css", "../server/settings.py", "vendor/VERSIONS", ""])
def test_only_the_listed_kinds_of_file_are_served(visitor: Browser, name: str) -> None:
    assert visitor.get(f"/static/any/{name}").status_code in (404, 405)


def test_the_digest_follows_the_content(tmp_path: Path) -> None:
    for folder in ("vendor", "css"):
        (tmp_path / folder).mkdir()
    (tmp_path / "vendor" / "modern-normalize-3.css").write_text("a { color: red }")
    for layer in LAYERS[1:]:
        (tmp_path / "css" / f"{layer}.css").write_text("")
    first = Assets(tmp_path)
    assert Assets(tmp_path).digest == first.digest
    (tmp_path / "css" / "parts.css").write_text("b {}")
    assert Assets(tmp_path).digest != first.digest
    with pytest.raises(KeyError):
        first.url("css/missing.css")


def test_the_style_sheet_keeps_to_its_layers_and_its_size() -> None:
    sheet = style_sheet(STATIC).decode()
    layers = (
        "reset, tokens, layout, parts, pages, gallery, library, bedside, account, cohorts, "
        "checkpoints, authoring"
    )
    assert sheet.startswith(f"@layer {layers};")
    assert "@import" not in sheet
    assert "url(" not in sheet
    assert len(gzip.compress(sheet.encode(), 9)) <= 17_500


def test_the_pictures_of_the_text_are_those_it_asks_for_today() -> None:
    """A changed recipe or renderer means drawing them again: see ``static/pictures/draw.py``."""
    drawn = json.loads((STATIC / "pictures" / "reading" / "manifest.json").read_text())
    asked = {
        f"{section.id}-{number}": recipe_digest(paragraph.picture)
        for section in load_reading().sections
        for number, paragraph in enumerate(section.paragraphs, start=1)
        if paragraph.picture is not None
    }
    assert drawn == asked
    files = {path.stem for path in (STATIC / "pictures" / "reading").glob("*.webp")}
    assert files == set(asked)


def recipe_digest(recipe: PictureRecipe) -> str:
    words = recipe.model_dump_json(exclude={"alt", "caption"})
    return hashlib.sha256(f"{RENDERER_VERSION} {words}".encode()).hexdigest()[:16]


def test_scripts_evaluate_nothing_and_write_no_markup() -> None:
    for path in (STATIC / "js").glob("*.js"):
        script = path.read_text()
        for forbidden in ("eval(", "innerHTML", "outerHTML", "document.write", "new Function"):
            assert forbidden not in script, (path.name, forbidden)
