"""The page Reminders and the calendar feed, as a browser and a calendar program meet them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from urllib.parse import urlsplit

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.jobs import postman
from server.services.reminders.letters import LINKS_LAST
from server.settings import Settings
from server.web.errors import shown_path
from tests.mailbox import HOME, Mailbox, link_in
from tests.services.calendar_lines import component, content_lines, value
from tests.web.conftest import Browser, browsing, hidden_fields, one
from tests.web.test_pages import check_sound, settings_form, words

SLOT: dict[str, object] = {"clock": "18:30", "weekdays": ["1", "3", "5"]}


def make_feed(browser: Browser) -> str:
    """Set a time, make a calendar address and return its path."""
    browser.post("/reminders", SLOT)
    form = one(browser.page("/reminders"), "form[action*='calendar#']")
    response = browser.post("/reminders/calendar", hidden_fields(form))
    assert response.status_code == 200
    page = HTMLParser(response.text)
    check_sound(page, "/reminders/calendar")
    address = one(page, "#calendar-address").attributes["value"] or ""
    assert address.startswith("http://testserver/calendar/")
    webcal = one(page, "a[href^='webcal:']").attributes["href"]
    assert webcal == address.replace("http:", "webcal:")
    return urlsplit(address).path


class TestPage:
    def test_it_is_linked_from_the_settings(self, browser: Browser) -> None:
        assert browser.page("/settings").css_first("a[href='/reminders']") is not None

    def test_a_time_is_proposed_then_kept(self, browser: Browser) -> None:
        page = browser.page("/reminders")
        check_sound(page, "/reminders")
        assert one(page, "#clock").attributes["value"] == "18:00"
        # Four days a week are the goal.
        assert len(page.css("[name=weekdays][checked]")) == 4
        assert page.css_first("form[action*='calendar#']") is None
        response = browser.post("/reminders", {**SLOT, "alarm": "true"})
        assert response.headers["location"] == "/reminders?said=slot"
        page = browser.page("/reminders?said=slot")
        assert one(page, ".said-so").text() == "Saved."
        assert one(page, "#clock").attributes["value"] == "18:30"
        chosen = [box.attributes["value"] for box in page.css("[name=weekdays][checked]")]
        assert chosen == ["1", "3", "5"]
        assert "checked" in one(page, "[name=alarm]").attributes

    @pytest.mark.parametrize(
        ("typed", "words"),
        [
            ({"clock": "25:00", "weekdays": ["1"]}, "no time of day"),
            ({"clock": "soon", "weekdays": ["1"]}, "no time of day"),
            ({"clock": "18:30"}, "at least one day"),
            ({"clock": "18:30", "weekdays": ["8"]}, "from 1"),
        ],
    )
    def test_what_cannot_be_kept_is_shown_with_the_reason(
        self, browser: Browser, typed: dict[str, object], words: str
    ) -> None:
        response = browser.post("/reminders", typed)
        assert response.status_code == 422
        page = HTMLParser(response.text)
        check_sound(page, "/reminders")
        assert words in one(page, "[role=alert]").text()
        assert one(page, "#clock").attributes["value"] == typed["clock"]

    def test_words_in_the_address_are_ours_alone(self, browser: Browser) -> None:
        page = browser.page("/reminders?said=hello")
        assert page.css_first("[role=status].said-so") is None

    def test_without_a_mail_server_it_says_so_and_offers_the_calendar(
        self, browser: Browser
    ) -> None:
        browser.post("/reminders", SLOT)
        page = browser.page("/reminders")
        assert "This server sends no mail." in one(page, "main").text()
        assert page.css_first("input[type=email]") is None
        assert browser.post("/reminders/mail", {"address": "ada@example.org"}).status_code == 404


class TestFeed:
    def test_a_calendar_program_needs_no_cookie(self, browser: Browser) -> None:
        path = make_feed(browser)
        browser.client.cookies.clear()
        response = browser.get(path)
        assert response.status_code == 200
        assert response.headers["content-type"] == "text/calendar; charset=utf-8"
        assert response.headers["cache-control"] == "private, no-cache"
        assert "set-cookie" not in response.headers
        event = component(content_lines(response.content), "VEVENT")
        assert value(event, "RRULE") == "FREQ=WEEKLY;BYDAY=MO,WE,FR"
        assert value(event, "DTSTART") == "20261125T183000"

    def test_what_a_reader_has_it_is_not_sent_again(self, browser: Browser) -> None:
        path = make_feed(browser)
        tag = browser.get(path).headers["etag"]
        for given in (tag, f"W/{tag}", f'"other", {tag}'):
            response = browser.get(path, **{"If-None-Match": given})
            assert (response.status_code, response.content) == (304, b"")
            assert response.headers["etag"] == tag
        browser.post("/settings", settings_form(rotation_on="2027-03-01"))
        changed = browser.get(path, **{"If-None-Match": tag})
        assert changed.status_code == 200
        assert changed.headers["etag"] != tag
        assert b"20270301" in changed.content

    def test_asking_for_the_head_alone(self, browser: Browser) -> None:
        path = make_feed(browser)
        assert browser.client.head(path).headers["etag"] == browser.get(path).headers["etag"]

    def test_the_address_is_shown_once_and_a_form_sent_twice_is_one_feed(
        self, browser: Browser
    ) -> None:
        browser.post("/reminders", SLOT)
        sent = hidden_fields(one(browser.page("/reminders"), "form[action*='calendar#']"))
        pages = [browser.post("/reminders/calendar", sent).text for _ in range(2)]
        addresses = {
            one(HTMLParser(page), "#calendar-address").attributes["value"] for page in pages
        }
        (address,) = addresses
        assert browser.get(urlsplit(address or "").path).status_code == 200
        page = browser.get("/reminders").text
        assert str(sent["secret"]) not in page
        assert "25 Nov" in one(HTMLParser(page), "main").text()

    def test_another_address_and_stopping_end_the_one_in_use(self, browser: Browser) -> None:
        first = make_feed(browser)
        second = make_feed(browser)
        assert first != second
        assert browser.get(first).status_code == 404
        assert browser.get(second).status_code == 200
        response = browser.post("/reminders/calendar/stop")
        assert response.headers["location"] == "/reminders?said=feed-stopped"
        assert browser.get(second).status_code == 404

    @pytest.mark.parametrize("secret", ["x" * 43, "short", "a" * 500, "%2e%2e"])
    def test_an_unknown_address_is_not_found(self, browser: Browser, secret: str) -> None:
        response = browser.get(f"/calendar/{secret}.ics")
        assert response.status_code == 404
        assert response.headers["cache-control"] == "no-store"

    def test_a_calendar_cannot_be_made_from_another_site(self, browser: Browser) -> None:
        browser.post("/reminders", SLOT)
        sent = hidden_fields(one(browser.page("/reminders"), "form[action*='calendar#']"))
        response = browser.post("/reminders/calendar", sent, **{"Sec-Fetch-Site": "cross-site"})
        assert response.status_code == 403
        assert browser.get(f"/calendar/{sent['secret']}.ics").status_code == 404

    def test_a_secret_never_stands_in_a_log(
        self,
        browser: Browser,
        capsys: pytest.CaptureFixture[str],
        caplog: pytest.LogCaptureFixture,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        path = make_feed(browser)

        def broken(*_: object) -> bytes:
            raise RuntimeError("broken on purpose")

        monkeypatch.setattr("server.web.routes.calendar.feeds.read_feed", broken)
        assert browser.get(path).status_code == 500
        # Where it is said depends on whether logging has been set up in this process.
        said = "".join(capsys.readouterr()) + caplog.text
        lines = [line for line in said.splitlines() if "unexpected failure" in line]
        assert lines
        assert all("/calendar/….ics" in line for line in lines)
        assert shown_path(path) == "/calendar/….ics"


def unsigned(browser: Browser) -> Browser:
    """The same site in a browser that never practised there."""
    browser.client.cookies.clear()
    return browser


class TestMail:
    """With a real mail server, read in another browser than the one that practises."""

    @pytest.fixture
    def mailbox(self) -> Iterator[Mailbox]:
        with Mailbox() as running:
            yield running

    @pytest.fixture
    def mailing(self, settings: Settings, mailbox: Mailbox) -> Iterator[Browser]:
        with browsing(mailbox.settings(settings)) as browser:
            browser.start()
            browser.post("/reminders", SLOT)
            yield browser

    def ask(self, browser: Browser, mailbox: Mailbox) -> str:
        """Give an address; return the path of the link in the letter that comes."""
        response = browser.post("/reminders/mail", {"address": "ada@example.org"})
        assert response.headers["location"] == "/reminders?said=mail-asked"
        return link_in(mailbox.wait_for(1)[0], "/reminders/confirm/")

    def test_the_letter_does_not_wait_for_the_next_look(
        self, settings: Settings, mailbox: Mailbox, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(postman, "POLL_SECONDS", 600.0)
        with browsing(mailbox.settings(settings)) as browser:
            browser.start()
            browser.post("/reminders", SLOT)
            self.ask(browser, mailbox)

    def test_the_address_is_confirmed_by_the_letters_link(
        self, mailing: Browser, mailbox: Mailbox
    ) -> None:
        link = self.ask(mailing, mailbox)
        page = mailing.page("/reminders")
        check_sound(page, "/reminders")
        assert "We have written to ada@example.org" in one(page, "main").text()
        cookies = dict(mailing.client.cookies)
        page = unsigned(mailing).page(link)
        check_sound(page, link)
        assert "ada@example.org" in one(page, "main").text()
        # Programs that open links have confirmed nothing.
        assert one(mailing.page(link), "h1").text() == "Reminders by mail"
        response = mailing.post(link)
        assert "Address confirmed" in one(HTMLParser(response.text), "h1").text()
        assert one(mailing.page(link), "h1").text() == "Address confirmed"
        mailing.client.cookies.update(cookies)
        text = one(mailing.page("/reminders"), "main").text()
        assert "Reminders go to ada@example.org at 18:30 on Mon, Wed and Fri." in text

    def test_whoever_did_not_ask_says_no(self, mailing: Browser, mailbox: Mailbox) -> None:
        link = self.ask(mailing, mailbox)
        cookies = dict(mailing.client.cookies)
        form = one(unsigned(mailing).page(link), "form[action^='/reminders/stop/']")
        mailing.post(form.attributes["action"] or "")
        assert "deleted" in one(mailing.page(link), "h1").text()
        mailing.client.cookies.update(cookies)
        assert mailing.page("/reminders").css_first("#address[value='']") is not None

    @pytest.mark.parametrize(
        "sent_from",
        [{}, {"Origin": "https://mail.example", "Sec-Fetch-Site": "cross-site"}],
        ids=["a program", "a page of another site"],
    )
    def test_one_click_stops(
        self, mailing: Browser, mailbox: Mailbox, sent_from: dict[str, str]
    ) -> None:
        """RFC 8058, 3.2: POST with those words, no cookie, no redirect; GET alone does nothing."""
        mailing.post(self.ask(mailing, mailbox))
        cookies = dict(mailing.client.cookies)
        mailing.now = datetime(2026, 11, 25, 18, 30, tzinfo=UTC)
        letter = mailbox.wait_for(2)[1]
        stop = link_in(letter, "/reminders/stop/")
        assert letter["List-Unsubscribe"] == f"<{HOME}{stop}>"
        page = unsigned(mailing).page(stop)
        check_sound(page, stop)
        assert one(page, "form").attributes["action"] == stop
        assert one(page, "[name=List-Unsubscribe]").attributes["value"] == "One-Click"
        for _ in range(2):
            response = mailing.client.post(
                stop,
                data={"List-Unsubscribe": "One-Click"},
                headers=sent_from,
                follow_redirects=False,
            )
            assert response.status_code == 200
            assert "set-cookie" not in response.headers
            assert "Reminders are stopped" in response.text
        assert one(mailing.page(stop), "h1").text() == "Reminders are stopped"
        mailing.client.cookies.update(cookies)
        assert "ada@example.org" not in mailing.get("/reminders").text

    def test_one_click_may_come_as_multipart(self, mailing: Browser, mailbox: Mailbox) -> None:
        stop = self.ask(mailing, mailbox).replace("/confirm/", "/stop/")
        response = unsigned(mailing).client.post(
            stop, files={"List-Unsubscribe": (None, "One-Click")}, follow_redirects=False
        )
        assert response.status_code == 200

    def test_what_stays_of_a_mailbox_is_told_before_it_is_given(self, mailing: Browser) -> None:
        mailing.post("/reminders", SLOT)
        text = words(mailing.page("/reminders"), "main")
        assert f"the SHA-256 of the address) stays for {LINKS_LAST.days} days" in text

    def test_the_learner_can_delete_the_address(self, mailing: Browser, mailbox: Mailbox) -> None:
        link = self.ask(mailing, mailbox)
        response = mailing.post("/reminders/mail/remove")
        assert response.headers["location"] == "/reminders?said=mail-removed"
        assert "ada@example.org" not in mailing.get("/reminders").text
        assert "deleted" in one(mailing.page(link), "h1").text()

    def test_an_odd_address_is_shown_with_the_reason(self, mailing: Browser) -> None:
        response = mailing.post("/reminders/mail", {"address": "nobody"})
        assert response.status_code == 422
        page = HTMLParser(response.text)
        check_sound(page, "/reminders/mail")
        assert "no mail address" in one(page, "[role=alert]").text()
        assert one(page, "#address").attributes["value"] == "nobody"

    @pytest.mark.parametrize("path", ["confirm", "stop"])
    @pytest.mark.parametrize("secret", ["x" * 43, "short"])
    def test_a_link_that_is_not_whole_is_said(
        self, mailing: Browser, path: str, secret: str
    ) -> None:
        response = mailing.get(f"/reminders/{path}/{secret}")
        assert response.status_code == 404
        assert "not whole" in response.text
        assert mailing.post(f"/reminders/{path}/{secret}").status_code == 404
