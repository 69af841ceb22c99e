"""The plan page and its forms, and the first page's account of the week."""

from __future__ import annotations

from datetime import timedelta

from selectolax.lexbor import LexborHTMLParser as HTMLParser

from tests.web.conftest import Browser, one
from tests.web.test_pages import answer_rightly, check_sound, settings_form, table_of, words


class TestPlan:
    def test_table_and_chart_show_the_same_weeks(self, browser: Browser) -> None:
        page = browser.page("/plan")
        rows = table_of(page, ".plan-weeks")
        assert len(rows) == 9
        days, back, new, ahead, held, late = next(iter(rows.values()))
        assert (days, held) == ("4", "48")
        assert int(new) > 0
        bars = page.css(".chart.weeks .bar:not(.new):not(.ahead)")
        assert len(bars) == sum(int(row[1]) > 0 for row in rows.values())
        assert int(back) + int(new) + int(ahead) <= int(held) + 1
        assert late.isdigit()

    def test_a_date_is_set_counted_down_and_taken_back(self, browser: Browser) -> None:
        sent = browser.post("/plan/rotation", {"rotation_on": "2026-12-30"})
        assert sent.headers["location"] == "/plan?said=rotation"
        page = browser.page("/plan?said=rotation")
        assert "35 days to your rotation on Wed 30 Dec." in words(page, ".lead")
        assert one(page, "[role=status].said-so").text() == "Saved."
        assert "days to rotation" in browser.page("/").text()
        assert "35" in words(browser.page("/"), ".figures")
        browser.post("/plan/rotation", {"rotation_on": ""})
        assert "No rotation date" in words(browser.page("/plan"), ".lead")

    def test_too_little_time_is_said_with_what_would_do(self, browser: Browser) -> None:
        browser.post(
            "/settings",
            settings_form(daily_minutes=2, weekly_goal_days=1, rotation_on="2026-12-09"),
        )
        text = words(browser.page("/plan"), "main")
        assert "No: 2 minutes on one day a week are too few." in text
        assert "you will have met" in text
        assert "would be enough" in text or "more days would help most" in text

    def test_what_is_no_date_is_shown_again_with_the_reason(self, browser: Browser) -> None:
        for typed, why in (("2020-01-01", "must lie ahead"), ("soon", "year-month-day")):
            response = browser.post("/plan/rotation", {"rotation_on": typed})
            assert response.status_code == 422
            page = HTMLParser(response.text)
            check_sound(page, "/plan")
            assert why in one(page, "[role=alert]").text()
            assert one(page, "#rotation_on").attributes["value"] == typed
        assert "No rotation date" in words(browser.page("/plan"), ".lead")

    def test_a_pause_is_added_twice_kept_once_and_ended(self, browser: Browser) -> None:
        pause: dict[str, object] = {"first_on": "2026-12-21", "last_on": "2027-01-03"}
        for _ in range(2):
            assert browser.post("/plan/pauses", pause).status_code == 303
        page = browser.page("/plan")
        check_sound(page, "/plan")
        assert "Mon 21 Dec to Sun 3 Jan14 days" in words(page, ".pauses")
        assert len(page.css(".pauses li")) == 1
        assert table_of(page, ".plan-weeks")["21 to 27 Dec"][0] == "pause"
        for _ in range(2):
            ended = browser.post("/plan/pauses/end", {"first_on": "2026-12-21"})
            assert ended.status_code == 303
        assert not browser.page("/plan").css(".pauses li")

    def test_what_is_no_pause_is_shown_again_with_the_reason(self, browser: Browser) -> None:
        for first, last, why in (
            ("2026-12-21", "2026-12-01", "cannot come before"),
            ("2026-12-21", "", "its first and its last day"),
            ("2026-10-01", "2026-10-02", "over already"),
        ):
            response = browser.post("/plan/pauses", {"first_on": first, "last_on": last})
            assert response.status_code == 422
            page = HTMLParser(response.text)
            assert why in one(page, "[role=alert]").text()
            assert one(page, "#first_on").attributes["value"] == first


class TestHome:
    def test_the_goal_counts_minutes_as_well_as_days(self, browser: Browser) -> None:
        answer_rightly(browser, 6)
        page = browser.page("/")
        assert "0 of 4 days this week" in (one(page, ".week-ring").attributes["aria-label"] or "")
        assert "2 of 5" in words(page, ".figures")
        answer_rightly(browser, 6)
        page = browser.page("/")
        assert "1 of 4 days this week" in (one(page, ".week-ring").attributes["aria-label"] or "")
        assert "3 more days this week to reach your goal" in words(page, ".lead")

    def test_nothing_is_asked_on_a_pause(self, browser: Browser) -> None:
        browser.post("/plan/pauses", {"first_on": "2026-11-23", "last_on": "2026-11-29"})
        page = browser.page("/")
        assert "You are on a pause: nothing is asked today." in words(page, ".lead")
        assert "pause" in words(page, ".opening")
        # Who practises all the same may.
        assert page.css_first("form[action='/rounds'] button") is not None

    def test_a_week_that_is_lost_is_not_held_against_anybody(self, browser: Browser) -> None:
        browser.now += timedelta(days=4)  # Sunday
        assert "the goal begins anew on Monday" in words(browser.page("/"), ".lead")
