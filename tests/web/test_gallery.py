"""The gallery's pages: every kind is there, pictures come when asked for, remarks come back."""

from __future__ import annotations

import csv
from pathlib import Path
from uuid import uuid4

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser
from sqlalchemy import func, select

from server.cli import main
from server.jobs.gallery_drawing import PlateTask, draw_plates
from server.rendering.eye import RENDERER_VERSION
from server.rendering.features import painters
from server.services.gallery import plates
from server.storage.models import GalleryPlateRow, GalleryRemarkRow
from tests.web.conftest import HTMX, Browser, hidden_fields, one
from tests.web.test_pages import check_sound

PALE = "/gallery/pale-disc"
NUMBER = f"pale-disc.temporal.65.7rm50.p45.v{RENDERER_VERSION}"


def draw_waiting(browser: Browser, folder: Path) -> int:
    """Draw what is asked for, as the keeper would; return how many pictures."""
    count = 0
    while True:
        with browser.database.reading() as session:
            order = plates.next_order(session, browser.now)
        if order is None:
            return count
        drawn = draw_plates(PlateTask(order.numbers, order.size_px, folder))
        with browser.database.writing() as session:
            plates.keep(session, order, drawn, browser.now)
        count += len(drawn)


def waiting(browser: Browser) -> int:
    with browser.database.reading() as session:
        return session.scalar(select(func.count()).select_from(GalleryPlateRow)) or 0


def test_the_index_names_every_kind_and_draws_none_by_itself(visitor: Browser) -> None:
    page = visitor.page("/gallery")
    check_sound(page, "/gallery")
    links = {link.attributes["href"] for link in page.css(".kind-list > li > a")}
    assert links == {f"/gallery/{kind}" for kind in painters()}
    assert waiting(visitor) == 0


@pytest.mark.parametrize("kind", list(painters()))
def test_a_kind_shows_every_variant_along_its_severities(visitor: Browser, kind: str) -> None:
    page = visitor.page(f"/gallery/{kind}")
    check_sound(page, kind)
    assert [row.attributes["id"] for row in page.css(".strip")] == list(painters()[kind].variants)
    for row in page.css(".strip"):
        assert len(row.css("figure")) >= 5
        assert row.attributes["hx-trigger"] == "intersect once"
    assert waiting(visitor) == 0


def test_a_row_is_drawn_when_it_is_asked_for(visitor: Browser, tmp_path: Path) -> None:
    page = visitor.page(f"{PALE}?size=512&seed=7&side=left&fundus=dark&view=disc")
    address = one(page, "#temporal").attributes["hx-get"] or ""
    row = HTMLParser(visitor.get(address, **HTMX).text)
    assert row.css_first("html > head > meta") is None
    strip = one(row, "section#temporal")
    assert (strip.attributes["hx-trigger"] or "").startswith("load delay")
    assert waiting(visitor) == len(strip.css("figure"))
    assert draw_waiting(visitor, tmp_path) == len(strip.css("figure"))
    done = one(HTMLParser(visitor.get(address, **HTMX).text), "section#temporal")
    assert "hx-get" not in done.attributes
    assert len(done.css("img")) == len(strip.css("figure"))
    text = done.text()
    assert "rim redness down by" in text
    assert f"pale-disc.temporal.65.7ld45.d22.v{RENDERER_VERSION}" in text


def test_without_script_a_row_has_an_address_of_its_own(visitor: Browser) -> None:
    address = one(visitor.page(PALE), "#temporal .again a").attributes["href"] or ""
    page = visitor.page(address)
    check_sound(page, address)
    assert [row.attributes["id"] for row in page.css(".strip")] == ["temporal"]
    assert waiting(visitor) > 0


def test_all_rows_are_asked_for_to_print(visitor: Browser) -> None:
    page = visitor.page(f"{PALE}?rows=all")
    assert waiting(visitor) == len(page.css("figure"))


def test_a_picture_has_its_twin_outlines_and_facts(visitor: Browser, tmp_path: Path) -> None:
    address = f"/gallery/plates/{NUMBER}?size=512"
    before = visitor.page(address)
    check_sound(before, address)
    assert "Drawing" in one(before, "[role=status].centre").text()
    draw_waiting(visitor, tmp_path)
    page = visitor.page(address)
    check_sound(page, address)
    picture, twin = (node.attributes["src"] for node in page.css(".plane img"))
    assert picture != twin
    masks = [node.text().strip() for node in page.css(".mask text")]
    assert {"disc", "cup", "pallor", "fovea"} <= set(masks)
    assert [node.text().strip() for node in page.css(".mask-choice label")] == masks
    assert "disc vertical" in one(page, "details table").text()
    following = one(page, "a[data-next-eye]").attributes["href"] or ""
    assert "pale-disc.temporal.85." in following


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("/gallery/squint", "known kinds"),
        (f"{PALE}/green", "diffuse, temporal"),
        (f"{PALE}?side=middle", "right, left"),
        (f"{PALE}?fundus=green", "light, medium, dark"),
        (f"{PALE}?view=ceiling", "photograph, wide, disc, macula"),
        (f"{PALE}?seed=0", "1 to 999999"),
        (f"{PALE}?age=200", "8 to 95"),
        (f"{PALE}?size=99999", "512, 768, 1024, 1536"),
        ("/gallery/plates/pale-disc.temporal.165.7rm50.p45.v1", "outside 0 to 1"),
        ("/gallery/plates/nonsense", "one looks like"),
        (f"/gallery/plates/{NUMBER}?size=7", "512, 768, 1024, 1536"),
    ],
)
def test_what_cannot_be_drawn_is_named_with_what_can(
    visitor: Browser, address: str, words: str
) -> None:
    response = visitor.get(address)
    assert response.status_code == 422
    assert words in response.text
    assert waiting(visitor) == 0


class TestRemarks:
    def form(self, browser: Browser) -> dict[str, object]:
        page = browser.page(f"/gallery/plates/{NUMBER}")
        return {**hidden_fields(one(page, ".remark-form")), "text": "Rim <b>too</b> white"}

    def test_a_visitors_remark_is_there_again(self, visitor: Browser) -> None:
        form = self.form(visitor)
        response = visitor.post("/gallery/remarks", form)
        assert response.status_code == 303
        page = visitor.page(response.headers["location"].split("#")[0])
        assert one(page, "#remarks .note").text().strip() == "Rim <b>too</b> white"
        sheet = visitor.page(f"{PALE}?seed=7&age=50")
        assert "Rim <b>too</b> white" in one(sheet, "#temporal .said").text()

    def test_a_double_tap_is_one_remark(self, browser: Browser) -> None:
        form = self.form(browser)
        for _ in range(2):
            assert browser.post("/gallery/remarks", form).status_code == 303
        with browser.database.reading() as session:
            assert session.scalar(select(func.count()).select_from(GalleryRemarkRow)) == 1

    def test_the_sheets_form_returns_to_its_row(self, browser: Browser) -> None:
        form = {**self.form(browser), "back": "sheet"}
        location = browser.post("/gallery/remarks", form).headers["location"]
        assert location.startswith(f"{PALE}?seed=7&")
        assert location.endswith("#temporal")

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"text": " "}, "empty"),
            ({"text": "x" * 2001}, "at most 2000"),
            ({"number": "nonsense"}, "one looks like"),
            ({"remark_id": "nonsense"}, "remark_id"),
        ],
    )
    def test_what_does_not_fit_is_named(
        self, browser: Browser, change: dict[str, object], words: str
    ) -> None:
        response = browser.post("/gallery/remarks", {**self.form(browser), **change})
        assert response.status_code == 422
        assert words in response.text

    def test_another_sites_remark_is_refused(self, browser: Browser) -> None:
        form = {**self.form(browser), "remark_id": str(uuid4())}
        response = browser.post("/gallery/remarks", form, Origin="https://elsewhere.example")
        assert response.status_code == 403

    def test_the_command_writes_them_all(
        self, browser: Browser, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        browser.post("/gallery/remarks", self.form(browser))
        assert browser.database.path is not None
        data, out = browser.database.path.parent, tmp_path / "remarks.csv"
        assert main(["remarks", "--data", str(data), "--out", str(out)]) == 0
        with out.open(newline="") as file:
            (row,) = csv.DictReader(file)
        assert (row["number"], row["text"]) == (NUMBER, "Rim <b>too</b> white")
        assert capsys.readouterr().err.startswith("1 remark.")
        assert main(["remarks", "--data", str(data), "--out", str(tmp_path / "no" / "x")]) == 2
        assert "choose another with --out" in capsys.readouterr().err
