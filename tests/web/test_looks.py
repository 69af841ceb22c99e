"""A look from its sheet to its feedback, with and without script, once and only once."""

from __future__ import annotations

from uuid import uuid4

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser
from sqlalchemy import func, select, update
from starlette.testclient import TestClient

from server.rendering import FINDINGS
from server.storage.models import AnswerRow, CardRow
from tests.web.conftest import HTMX, JSON, Browser, one
from tests.web.test_pages import check_sound


def counted(browser: Browser) -> int:
    """Return how many answers are stored."""
    with browser.database.reading() as session:
        return session.scalar(select(func.count()).select_from(AnswerRow)) or 0


def fragment(html: str) -> HTMLParser:
    page = HTMLParser(html)
    assert page.css_first("html > body > #page") is not None
    assert "<!doctype" not in html
    return page


class TestTheSheet:
    def test_it_asks_in_examination_order_and_starts_at_normal(self, browser: Browser) -> None:
        page = browser.page(browser.begin())
        check_sound(page, "look")
        boxes = page.css("input[name=present]")
        asked = [box.attributes["value"] for box in boxes]
        assert asked == [name for name in FINDINGS if name in asked]
        assert not page.css("input[name=present][checked], input[name=certainty][checked]")
        # Each row carries both words, and says of those out of view that they are.
        rows = page.css(".rows > .row")
        assert len(rows) == 6
        assert len(page.css(".row.out")) == 6 - len(asked)
        assert all("not in view" in row.text() for row in page.css(".row.out"))
        certainty = [box.attributes["value"] for box in page.css("input[name=certainty]")]
        assert certainty == ["sure", "unsure", "guessing"]

    def test_it_gives_nothing_away(self, browser: Browser) -> None:
        address = browser.begin()
        page = browser.page(address)
        pictures = [image.attributes["src"] for image in page.css("img")]
        assert len(pictures) == 1  # the eye, and not its healthy twin
        assert not page.css(".outlines, .verdict, .teaching")
        body = one(page, "form[data-look]").html or ""
        for word in (
            "normal-1",
            "looks-like",
            *(f"{name}-1" for name in FINDINGS),
            "severity",
            "twin",
        ):
            assert word not in body, word

    def test_the_rim_shows_the_round(self, browser: Browser) -> None:
        address = browser.begin()
        browser.post(f"{address}/answer", browser.sheet(address))
        page = browser.page(browser.begin())
        arcs = page.css(".rim path")
        assert [arc.attributes["class"] for arc in arcs][:3] == ["done", "now", "ahead"]
        assert one(page, "h1").text().split()[:4] == ["Eye", "2", "of", str(len(arcs))]


class TestAnswering:
    def test_without_script_the_form_posts_and_leads_to_the_feedback(
        self, browser: Browser
    ) -> None:
        address = browser.begin()
        present = browser.truth(address)
        browser.wait(seconds=20)
        sent = browser.sheet(address) | {"present": present}
        response = browser.post(f"{address}/answer", sent)
        assert (response.status_code, response.headers["location"]) == (303, address)
        page = browser.page(address)
        check_sound(page, "feedback")
        assert one(page, "h1").text().strip() == "Right"
        with browser.database.reading() as session:
            stored = session.scalars(select(AnswerRow)).one()
            # Nobody measured: the site's own clock did.
            assert (stored.response_ms, stored.hidden_ms) == (20_000, 0)

    def test_with_htmx_the_feedback_comes_at_once_as_a_fragment(self, browser: Browser) -> None:
        address = browser.begin()
        sent = browser.sheet(address) | {"response_ms": 4000, "hidden_ms": 500}
        response = browser.post(f"{address}/answer", sent, **HTMX)
        assert response.status_code == 200
        assert response.headers["cache-control"] == "no-store"
        page = fragment(response.text)
        assert page.css_first("[data-told]") is not None
        # The page's address stays: a look has one, before and after.
        assert response.headers["hx-push-url"] == "false"

    def test_the_outbox_gets_json(self, browser: Browser) -> None:
        address = browser.begin()
        response = browser.post(f"{address}/answer", browser.sheet(address), **JSON)
        assert response.json()["look"] == address.rsplit("/", 1)[1]
        assert response.json()["outcome"] in ("right", "partly", "wrong")

    def test_a_retry_shows_the_same_feedback_and_counts_once(self, browser: Browser) -> None:
        address = browser.begin()
        sent = browser.sheet(address)
        first = browser.post(f"{address}/answer", sent, **HTMX)
        again = browser.post(f"{address}/answer", sent, **HTMX)
        assert again.status_code == 200
        assert again.text == first.text
        assert counted(browser) == 1

    def test_another_answer_on_an_answered_look_is_told_so(self, browser: Browser) -> None:
        address = browser.begin()
        asked = [box.attributes["value"] for box in browser.page(address).css("[name=present]")]
        browser.post(f"{address}/answer", browser.sheet(address) | {"present": asked})
        sheet = {"certainty": "guessing", "card_version": "x", "renderer_version": "1"}
        second = browser.post(f"{address}/answer", {**sheet, "answer_id": str(uuid4())}, **HTMX)
        assert second.status_code == 200
        assert "the first answer counts" in one(fragment(second.text), ".note").text()
        assert counted(browser) == 1

    @pytest.mark.parametrize(
        ("change", "status", "words"),
        [
            ({"certainty": ""}, 422, "certainty"),
            ({"certainty": "certain"}, 422, "certainty"),
            ({"answer_id": "1"}, 422, "answer_id"),
            ({"present": ["gout"]}, 422, "gout"),
            ({"present": ["pale-disc"] * 13}, 422, "present"),
            ({"point_x": "1200", "point_y": "10"}, 422, "1000"),
            ({"point_x": "left", "point_y": "10"}, 422, "point_x"),
            ({"point_x": "nan", "point_y": "10"}, 422, ""),
            ({"response_ms": "-5"}, 422, "not possible"),
            ({"response_ms": "10", "hidden_ms": "20"}, 422, "not possible"),
            ({"card_version": "another"}, 409, "another picture"),
            ({"renderer_version": "999"}, 409, "another picture"),
        ],
    )
    def test_what_is_no_answer_to_this_look_is_refused_and_not_counted(
        self, browser: Browser, change: dict[str, object], status: int, words: str
    ) -> None:
        address = browser.begin()
        sent = browser.sheet(address) | {"response_ms": "4000"} | change
        for headers in ({}, HTMX, JSON):
            response = browser.post(f"{address}/answer", sent, **headers)
            assert response.status_code == status, response.text
            assert words in response.text
        assert counted(browser) == 0

    def test_the_answer_is_stored_before_it_is_shown(
        self, browser: Browser, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """When the first byte leaves, another connection already sees the answer."""
        address = browser.begin()
        sent = browser.sheet(address)
        at_first_byte: list[int] = []
        app = browser.client.app

        async def watching(scope, receive, send):  # type: ignore[no-untyped-def]
            async def noting(message):  # type: ignore[no-untyped-def]
                if message["type"] == "http.response.start":
                    at_first_byte.append(counted(browser))
                await send(message)

            await app(scope, receive, noting)

        client = TestClient(watching, base_url="http://testserver", cookies=browser.client.cookies)
        response = client.post(f"{address}/answer", data=sent, headers=HTMX)
        assert response.status_code == 200
        assert at_first_byte == [1]


class TestWhoMayAnswer:
    def test_somebody_elses_look_is_not_there(self, browser: Browser) -> None:
        address = browser.begin()
        sent = browser.sheet(address)
        browser.client.cookies.clear()
        browser.start()
        for headers in ({}, HTMX, JSON):
            assert browser.get(address, **headers).status_code == 404
            assert browser.post(f"{address}/answer", sent, **headers).status_code == 404
        assert counted(browser) == 0

    def test_an_ended_session_is_said_to_the_outbox_and_leads_a_person_home(
        self, browser: Browser
    ) -> None:
        address = browser.begin()
        sent = browser.sheet(address)
        browser.client.cookies.clear()
        said = browser.post(f"{address}/answer", sent, **JSON)
        assert said.status_code == 401
        assert "session" in said.json()["error"]
        # htmx keeps the page, so that the kept answer can be explained on it.
        kept = browser.post(f"{address}/answer", sent, **HTMX)
        assert kept.status_code == 401
        assert kept.headers["hx-retarget"] == "#notice"
        plain = browser.post(f"{address}/answer", sent)
        assert (plain.status_code, plain.headers["location"]) == (303, "/")
        # A mere link goes home as a whole page, never into a panel.
        moved = browser.get(address, **HTMX)
        assert (moved.status_code, moved.headers["hx-redirect"]) == (204, "/")


class TestFeedback:
    def answer(self, browser: Browser, *, right: bool, **more: object) -> HTMLParser:
        """Answer the next eye that shows a finding; return its feedback."""
        for _ in range(20):
            address = browser.begin()
            truth = browser.truth(address)
            if truth:
                break
            browser.post(f"{address}/answer", browser.sheet(address))
        sent = browser.sheet(address) | {"present": truth if right else []} | more
        browser.post(f"{address}/answer", sent)
        return browser.page(address)

    def test_what_was_seen_is_outlined_and_said(self, browser: Browser) -> None:
        page = self.answer(browser, right=True, point_x="500", point_y="500")
        assert one(page, "h1").text().strip() == "Right"
        assert "You saw the" in one(page, ".verdict p").text()
        assert page.css_first(".outlines path.line.seen") is not None
        assert one(page, ".pins g").attributes["transform"] == "translate(500.0 500.0)"
        (seen,) = page.css(".results li.seen")
        assert "seen" in seen.text()
        assert len(page.css(".results li")) == 6
        assert "local pathway" in one(page, ".urgent").text()

    def test_words_from_a_package_keep_their_author_beside_them(self, browser: Browser) -> None:
        assert one(self.answer(browser, right=True), ".teaching").css_first(".credit") is None
        with browser.database.writing() as session:
            session.execute(
                update(CardRow).values(words_credit="Eye unit, Highmoor", words_licence="CC-BY-4.0")
            )
        page = self.answer(browser, right=True)
        said = one(page, ".teaching .credit").text()
        assert said == "Words: Eye unit, Highmoor, CC-BY-4.0"

    def test_what_was_missed_is_dashed_and_said(self, browser: Browser) -> None:
        page = self.answer(browser, right=False)
        assert one(page, "h1").text().strip() == "Missed"
        assert page.css_first(".outlines path.line.missed") is not None
        (missed,) = page.css(".results li.missed")
        assert "missed" in missed.text()
        assert "later in this round" in one(page, ".returns").text()

    def test_a_right_finding_in_the_wrong_place_is_partly_right(self, browser: Browser) -> None:
        page = self.answer(browser, right=True, point_x="20", point_y="500")
        assert one(page, "h1").text().strip() == "Partly right"
        assert "not where it is" in one(page, ".verdict p").text()

    def test_the_twin_and_the_next_eye_are_at_hand(self, browser: Browser) -> None:
        page = self.answer(browser, right=True)
        eye, twin = [image.attributes["src"] for image in page.css(".stage img")]
        assert eye != twin
        assert page.css_first("button[data-hold]") is not None
        link = one(page, "a[data-next-eye]")
        assert link.attributes["href"] == link.attributes["hx-get"]
        assert "after=" in (link.attributes["href"] or "")


class TestTheRound:
    def test_the_next_eye_for_htmx_brings_its_address(self, browser: Browser) -> None:
        address = browser.begin()
        browser.post(f"{address}/answer", browser.sheet(address))
        link = one(browser.page(address), "a[data-next-eye]").attributes["href"] or ""
        response = browser.get(link, **HTMX)
        page = fragment(response.text)
        look = one(page, "form[data-look]").attributes["data-look"]
        assert response.headers["hx-push-url"] == f"/looks/{look}"
        # Asked again (a double tap, Back and forth), the same eye comes.
        again = browser.get(link, **HTMX)
        assert again.headers["hx-push-url"] == response.headers["hx-push-url"]

    def test_only_an_eye_fetched_ahead_may_be_kept_and_only_for_seconds(
        self, browser: Browser
    ) -> None:
        address = browser.begin()
        browser.post(f"{address}/answer", browser.sheet(address))
        link = one(browser.page(address), "a[data-next-eye]").attributes["href"] or ""
        ahead = browser.get(link, **HTMX, **{"HX-Preloaded": "true"})
        assert ahead.headers["cache-control"] == "private, max-age=15"
        assert "HX-Request" in ahead.headers["vary"]
        assert browser.get(link, **HTMX).headers["cache-control"] == "no-store"

    def test_a_whole_round_ends_with_its_summary(self, browser: Browser) -> None:
        address = browser.begin()
        for _ in range(40):
            sent = browser.sheet(address) | {"present": browser.truth(address)}
            browser.post(f"{address}/answer", sent)
            link = one(browser.page(address), "a[data-next-eye]")
            address = browser.follow(browser.get(link.attributes["href"] or ""))
            if address.startswith("/rounds/"):
                break
        assert "End of round" in link.text()
        assert "hx-get" not in link.attributes
        page = browser.page(address)
        check_sound(page, address)
        assert one(page, "h1").text() == "Round done"
        assert "with a finding" in one(page, ".lead").text()
        assert one(page, ".round-ring .figure").text() == "12"
        assert page.css_first(".returns-list li") is not None
        # htmx is sent there as a whole page.
        round_id = address.rsplit("/", 1)[1]
        moved = browser.get(f"/rounds/{round_id}/next", **HTMX)
        assert (moved.status_code, moved.headers["hx-redirect"]) == (204, address)

    def test_leaving_early_keeps_what_was_answered(self, browser: Browser) -> None:
        address = browser.begin()
        browser.post(f"{address}/answer", browser.sheet(address))
        link = one(browser.page(address), "a[data-next-eye]").attributes["href"] or ""
        round_address = link.split("/next")[0]
        response = browser.post(f"{round_address}/leave")
        assert response.headers["location"] == round_address
        page = browser.page(round_address)
        assert one(page, "h1").text() == "Round so far"
        assert counted(browser) == 1

    def test_while_an_eye_is_being_drawn_the_page_asks_again(self, empty_browser: Browser) -> None:
        from tests import factories

        with empty_browser.database.writing() as session:
            factories.seeded(session)
        empty_browser.start()
        begun = empty_browser.post("/rounds")
        response = empty_browser.get(begun.headers["location"])
        assert response.status_code == 200
        assert int(response.headers["retry-after"]) >= 1
        page = HTMLParser(response.text)
        check_sound(page, "preparing")
        poll = one(page, "[hx-trigger]")
        assert poll.attributes["hx-get"] == begun.headers["location"]
        assert (poll.attributes["hx-trigger"] or "").startswith("load delay:")
        waiting = empty_browser.get(begun.headers["location"], **HTMX, **{"HX-Preloaded": "true"})
        assert waiting.headers["cache-control"] == "no-store"

    def test_somebody_elses_round_is_not_there(self, browser: Browser) -> None:
        begun = browser.post("/rounds").headers["location"].removesuffix("/next")
        browser.client.cookies.clear()
        browser.start()
        assert browser.get(begun).status_code == 404
        assert browser.get(f"{begun}/next").status_code == 404
        assert browser.post(f"{begun}/leave").status_code == 404
