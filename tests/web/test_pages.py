"""Every page, rendered by the running site: whole, sound and linked to pages that exist."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from tests import factories
from tests.web.conftest import HTMX, Browser, one

FOR_ANYBODY = ("/", "/reading", "/findings", "/library", "/bedside", "/about")
FOR_LEARNERS = (
    *("/", "/welcome", "/welcome?step=2", "/welcome?step=3"),
    *("/progress", "/progress/swollen-margin", "/settings", "/reminders", "/plan"),
)


def check_sound(page: HTMLParser, address: str) -> None:
    """Fail on what no page of ours may have."""
    html = page.css_first("html")
    assert html is not None
    assert html.attributes["lang"] == "en", address
    title = page.css_first("title")
    assert title is not None
    assert " ".join(title.text().split()).endswith("· Fundus Rounds")
    assert len(page.css("h1")) == 1, address
    assert page.css_first("main#main") is not None, address
    for node in page.css("*"):
        for name in node.attributes:
            assert name != "style", (address, node.html)
            assert not name.startswith(("on", "hx-on")), (address, name)
    for script in page.css("script"):
        assert script.attributes.get("src"), address
        assert not script.text().strip(), address
    assert not page.css("style"), address
    for image in page.css("img"):
        assert {"alt", "width", "height"} <= set(image.attributes), (address, image.html)
    ids = [node.attributes["id"] for node in page.css("[id]")]
    assert len(ids) == len(set(ids)), (address, ids)
    for field in page.css("input:not([type=hidden]), select"):
        check_labelled(page, field.attributes.get("id"), field.html or "")
    for control in page.css("button, a"):
        words = control.text().strip()
        assert words or control.css_first("[aria-label]") is not None, (address, control.html)


def check_labelled(page: HTMLParser, ident: str | None, html: str) -> None:
    if "aria-label=" in html:
        return
    if ident and page.css_first(f"label[for='{ident}']") is not None:
        return
    name = re.search(r'name="([^"]+)"', html)
    selector = f"label [name='{name.group(1)}']" if name else "label input"
    assert page.css_first(selector) is not None, html


@pytest.mark.parametrize("address", FOR_ANYBODY)
def test_a_visitors_pages_are_sound(visitor: Browser, address: str) -> None:
    check_sound(visitor.page(address), address)


@pytest.mark.parametrize("address", FOR_LEARNERS)
def test_a_learners_pages_are_sound(browser: Browser, address: str) -> None:
    check_sound(browser.page(address), address)


@pytest.mark.parametrize("address", FOR_LEARNERS[1:])
def test_a_visitor_is_sent_to_the_first_page(visitor: Browser, address: str) -> None:
    response = visitor.get(address)
    assert (response.status_code, response.headers["location"]) == (303, "/")


def test_every_link_leads_somewhere(browser: Browser) -> None:
    """Follow every link that can be reached from home without answering anything."""
    waiting, seen, followed = ["/", "/nowhere", browser.begin()], set[str](), set[str]()
    while waiting:
        address = waiting.pop()
        if address in seen:
            continue
        seen.add(address)
        response = browser.get(address)
        assert response.status_code in ((404,) if address == "/nowhere" else (200, 303)), address
        if response.status_code == 303:
            waiting.append(response.headers["location"])
            continue
        page = HTMLParser(response.text)
        for link in page.css("a[href], link[href], script[src], img[src], use"):
            if link.attributes.get("rel") == "nofollow":
                continue  # one page in its many combinations: its own tests follow them
            to = link.attributes.get("href") or link.attributes.get("src") or ""
            if to in followed:
                continue
            followed.add(to)
            parts = urlsplit(to)
            assert (parts.scheme, parts.netloc) == ("", ""), to
            if parts.path.startswith("/pictures/"):
                continue  # the factory's eyes have no files
            if parts.path.startswith("/static/"):
                assert browser.get(parts.path).status_code == 200, to
            elif parts.path:
                waiting.append(parts.path + (f"?{parts.query}" if parts.query else ""))
        for form in page.css("form"):
            action = form.attributes["action"] or ""
            # The address exists and wants a post.
            assert browser.get(action).status_code in (200, 405, 404, 422), action
            assert browser.client.options(action).status_code == 405, action
    assert {"/progress", "/plan", "/reading", "/findings", "/settings", "/about"} <= seen


def test_pages_are_private_and_never_kept(browser: Browser) -> None:
    for address in ("/", "/progress", "/settings", browser.begin()):
        headers = browser.get(address).headers
        assert headers["cache-control"] == "no-store"
        assert "HX-Request" in headers["vary"]


def test_the_sprite_has_every_icon_that_pages_use(browser: Browser) -> None:
    page = browser.page("/")
    use = page.css_first("use")
    assert use is not None
    sprite = browser.get((use.attributes["href"] or "").split("#")[0]).text
    icons = set(re.findall(r'symbol id="([\w-]+)"', sprite))
    used = set[str]()
    for address in (*FOR_LEARNERS, "/reading", browser.begin()):
        html = browser.get(address).text
        used |= set(re.findall(r'sprite\.svg#([\w-]+)"', html))
    assert used <= icons
    assert {"seen", "missed", "imagined", "agreed", "unseen", "partly"} <= icons


class TestHome:
    def test_one_button_practises_and_says_how_long(self, browser: Browser) -> None:
        page = browser.page("/")
        (form,) = page.css("form[action='/rounds']")
        assert "12 eyes, about 5 minutes" in form.text()
        assert "0 of 4 days this week" in (one(page, ".week-ring").attributes["aria-label"] or "")

    def test_an_open_round_is_offered_again(self, browser: Browser) -> None:
        address = browser.begin()
        browser.post(f"{address}/answer", browser.sheet(address))
        text = one(browser.page("/"), "form[action='/rounds']").text()
        assert "Go on with your round" in text
        assert "1 of" in text
        # Going on finds the same round.
        assert browser.begin() != address

    def test_a_name_is_greeted_and_cannot_be_markup(self, browser: Browser) -> None:
        browser.post("/settings", settings_form(name="<b>Ada</b> & co"))
        html = browser.get("/").text
        assert "Hello, &lt;b&gt;Ada&lt;/b&gt; &amp; co" in html


class TestWelcome:
    def test_three_screens_and_each_can_be_skipped(self, browser: Browser) -> None:
        for step in (1, 2):
            page = browser.page(f"/welcome?step={step}")
            assert one(page, "button[type=submit]").text().strip() == "Skip"
            assert page.css_first(f"a[href='/welcome?step={step + 1}']") is not None
        assert browser.get("/welcome?step=4").status_code == 404

    def test_skipping_begins_the_first_round(self, browser: Browser) -> None:
        address = browser.follow(browser.post("/welcome"))
        assert address.startswith("/looks/")


def settings_form(**changes: object) -> dict[str, object]:
    form: dict[str, object] = {
        "name": "",
        "timezone": "Europe/London",
        "round_minutes": 5,
        "weekly_goal_days": 4,
        "daily_minutes": 10,
        "rotation_on": "",
    }
    return {**form, **changes}


class TestSettings:
    def test_what_is_saved_is_shown_again(self, browser: Browser) -> None:
        rotation = "2027-01-14"
        sent = settings_form(
            name="Ada",
            timezone="Asia/Tokyo",
            round_minutes=3,
            weekly_goal_days=6,
            daily_minutes=20,
            rotation_on=rotation,
            untimed="true",
        )
        response = browser.post("/settings", sent)
        assert response.headers["location"] == "/settings?saved=true"
        page = browser.page("/settings?saved=true")
        assert one(page, "[role=status].said-so").text() == "Saved."
        assert one(page, "input[name=name]").attributes["value"] == "Ada"
        assert one(page, "option[selected]").attributes["value"] == "Asia/Tokyo"
        chosen = [node.attributes["value"] for node in page.css("input[type=radio][checked]")]
        assert chosen == ["3", "6", "20", "moving"]
        assert one(page, "input[name=rotation_on]").attributes["value"] == rotation
        assert "checked" in one(page, "input[name=untimed]").attributes

    @pytest.mark.parametrize(
        ("change", "words"),
        [
            ({"round_minutes": 99}, "from 2 to 15"),
            ({"weekly_goal_days": 0}, "from 1 to 7"),
            ({"daily_minutes": 61}, "from 2 to 60"),
            ({"rotation_on": "2020-01-01"}, "1 January 2020 does not"),
            ({"rotation_on": "soon"}, "year-month-day"),
            ({"timezone": "Mars/Olympus"}, "Mars/Olympus"),
            ({"name": "x" * 61}, "60 characters"),
        ],
    )
    def test_what_cannot_be_saved_is_shown_with_the_reason(
        self, browser: Browser, change: dict[str, object], words: str
    ) -> None:
        response = browser.post("/settings", settings_form(**change))
        assert response.status_code == 422
        page = HTMLParser(response.text)
        check_sound(page, "/settings")
        assert words in one(page, "[role=alert]").text()
        # Nothing was stored.
        assert one(browser.page("/settings"), "input[name=name]").attributes["value"] == ""

    def test_a_page_from_before_a_setting_existed_leaves_it(self, browser: Browser) -> None:
        browser.post("/settings", settings_form(daily_minutes=20, rotation_on="2026-12-30"))
        old = settings_form(name="Ada")
        del old["daily_minutes"], old["rotation_on"]
        assert browser.post("/settings", old).status_code == 303
        page = browser.page("/settings")
        assert one(page, "input[name=rotation_on]").attributes["value"] == "2026-12-30"
        assert one(page, "input[name=daily_minutes][checked]").attributes["value"] == "20"

    def test_a_form_that_is_no_form_of_ours_is_refused(self, browser: Browser) -> None:
        response = browser.post("/settings", {"round_minutes": "many"})
        assert response.status_code == 422
        assert "round_minutes" in response.text


def answer_rightly(browser: Browser, times: int) -> None:
    """Answer so many eyes of rounds, all right and sure."""
    for _ in range(times):
        address = browser.begin()
        present = browser.truth(address)
        browser.post(f"{address}/answer", browser.sheet(address) | {"present": present})


def table_of(page: HTMLParser, selector: str) -> dict[str, list[str]]:
    """Return a table's rows by their heads."""
    return {
        one(row, "th").text(): [cell.text() for cell in row.css("td")]
        for row in page.css(f"{selector} tbody tr")
    }


def words(page: HTMLParser, selector: str) -> str:
    """Return the words of a part of a page, evenly spaced."""
    return " ".join(one(page, selector).text().split())


class TestProgress:
    def test_before_the_first_answer_it_says_so(self, browser: Browser) -> None:
        page = browser.page("/progress")
        assert "Nothing to show yet" in page.text()
        assert not page.css(".chart")

    def test_the_table_behind_the_charts_counts_the_answers(self, browser: Browser) -> None:
        answer_rightly(browser, 3)
        page = browser.page("/progress")
        check_sound(page, "/progress")
        rows = table_of(page, ".by-finding")
        assert len(rows) == 6
        assert "3 eyes answered: 3 right, 0 partly right, 0 wrong." in words(page, ".lead")
        standing, *shares, _, _, _, hits, misses, false_alarms, rejections = rows["Swollen margin"]
        assert standing == "Not enough answers yet"
        assert (misses, false_alarms) == ("0", "0")
        assert int(hits) + int(rejections) == 3
        # Wilson 1927 at 95 %, all right: from 21, 34 and 44 % for 1, 2 and 3 answers
        # (by statsmodels' proportion_confint).
        lowest = {0: "–", 1: "21% to 100%", 2: "34% to 100%", 3: "44% to 100%"}
        assert shares[1] == lowest[int(hits)]
        assert shares[3] == lowest[int(rejections)]
        known = sum(cell != "–" for row in rows.values() for cell in (row[1], row[3]))
        assert len(page.css(".standing .chart .dot")) == known
        assert words(page, ".answer") == "Not enough answers yet to say for any finding."
        # Beside each figure stands the case mix, and what is missing.
        beside = " ".join(one(page, ".standing li").text().split())
        assert f"{hits} of 3 eyes had it" in beside
        assert f"{16 - int(hits)} more with it and {16 - int(rejections)} more without" in beside

    def test_every_chart_has_a_table_behind_it(self, browser: Browser) -> None:
        answer_rightly(browser, 2)
        for address in ("/plan", "/progress", "/progress/swollen-margin"):
            for section in browser.page(address).css("section"):
                if section.css_first("svg.chart"):
                    assert section.css_first("details table"), (address, section.html)

    def test_certainty_is_told_in_a_sentence_and_a_table(self, browser: Browser) -> None:
        answer_rightly(browser, 2)
        page = browser.page("/progress")
        assert "Right when sure 2 of 2: too few answers to judge" in words(page, "main")
        # Two sheets right at a claim of 95 %: Brier .05 squared.
        assert "Brier score 0.00" in words(page, "main")
        assert table_of(page, ".certain") == {"Sure": ["95%", "100%", "2", "34% to 100%"]}

    def test_a_mistake_can_be_looked_at_again(self, browser: Browser) -> None:
        address = browser.begin()
        present = browser.truth(address)
        asked = [
            field.attributes["value"] or "" for field in browser.page(address).css("[name=present]")
        ]
        imagined = next(name for name in asked if name not in present)
        browser.post(f"{address}/answer", browser.sheet(address) | {"present": [imagined]})
        page = browser.page(f"/progress/{imagined}")
        check_sound(page, imagined)
        assert [link.attributes["href"] for link in page.css(".mistakes a")] == [address]
        assert "Not there" in words(page, ".mistakes")
        # The eye, and its healthy twin beside it.
        shown = [image.attributes["src"] for image in page.css(".mistakes img")]
        assert len(set(shown)) == 2
        assert browser.get(address).status_code == 200
        for missed in present:
            page = browser.page(f"/progress/{missed}")
            assert "Missed" in words(page, ".mistakes")
        assert f"/progress/{imagined}" in [
            link.attributes["href"] for link in browser.page("/progress").css(".standing a")
        ]

    def test_the_first_screen_says_what_is_lasting_and_how_long_there_is(
        self, browser: Browser
    ) -> None:
        browser.post("/plan/rotation", {"rotation_on": "2026-12-30"})
        answer_rightly(browser, 2)
        short = words(browser.page("/progress"), ".in-short")
        assert "Is it lasting?Not known yet" in short
        assert "35 days to your rotation" in short
        # Two eyes say of no finding that it is the weakest.
        assert "Weakest" not in short

    def test_a_finding_unknown_is_not_found(self, browser: Browser) -> None:
        assert browser.get("/progress/cataract").status_code == 404

    def test_forecast_and_table_show_the_same_days(self, browser: Browser) -> None:
        address = browser.begin()
        browser.post(f"{address}/answer", browser.sheet(address))
        page = browser.page("/progress")
        due = [int(cell.text()) for cell in page.css(".figures-table.narrow td")]
        assert len(due) == 14
        assert sum(due) >= 1
        assert len(page.css(".chart .bar")) == sum(count > 0 for count in due)


class TestFragments:
    def test_the_same_address_gives_htmx_the_block_alone(self, browser: Browser) -> None:
        address = browser.begin()
        fragment = browser.get(address, **HTMX)
        assert "<html" not in fragment.text
        assert "<script" not in fragment.text
        page = HTMLParser(fragment.text)
        assert one(page, "title").text().startswith("Eye 1 of")
        assert page.css_first("#page form[data-look]") is not None

    def test_a_restored_history_entry_gets_the_whole_page(self, browser: Browser) -> None:
        address = browser.begin()
        restored = browser.get(address, **HTMX, **{"HX-History-Restore-Request": "true"})
        assert restored.text.startswith("<!doctype html>")

    def test_a_page_that_is_no_target_goes_out_whole(self, browser: Browser) -> None:
        assert browser.get("/about", **HTMX).text.startswith("<!doctype html>")


def test_factories_and_site_agree_on_the_time(browser: Browser) -> None:
    assert "Wed 25 Nov" in one(browser.page("/"), "h1").text()
    assert browser.now == factories.NOON
