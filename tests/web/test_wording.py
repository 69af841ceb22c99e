"""Words for figures, days and verdicts."""

from __future__ import annotations

from datetime import date

import pytest

from server.web import wording


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (wording.count(1, "eye"), "1 eye"),
        (wording.count(0, "eye"), "0 eyes"),
        (wording.count(2, "more day"), "2 more days"),
        (wording.percent(0.8349), "83%"),
        (wording.percent(1.0), "100%"),
        (wording.percent(None), "–"),
        (wording.short_date(date(2026, 12, 1)), "Tue 1 Dec"),
        (wording.in_days(0), "today"),
        (wording.in_days(-3), "today"),
        (wording.in_days(1), "tomorrow"),
        (wording.in_days(6), "in 6 days"),
        (wording.minutes_and_seconds(35), "35 s"),
        (wording.minutes_and_seconds(120), "2 min"),
        (wording.minutes_and_seconds(290), "4 min 50 s"),
        (wording.minutes_and_seconds(-1), "0 s"),
        (wording.listed([]), ""),
        (wording.listed(["a"]), "a"),
        (wording.listed(["a", "b", "c"]), "a, b and c"),
        (wording.a("enlarged cup"), "an enlarged cup"),
        (wording.a("new vessels"), "new vessels"),
        (wording.measure(2.31, "Frisén stage"), "Frisén stage 2.3"),
        (wording.measure(0.341, "mm2"), "0.34 mm²"),
        (wording.measure(3.0, "something new"), "3 something new"),
    ],
)
def test_words(said: str, expected: str) -> None:
    assert said == expected


def test_every_unit_of_the_truth_has_its_wording() -> None:
    from server.rendering.visible_floors import FLOORS

    shown = {floor.shown_unit or floor.unit for floor in FLOORS.values()}
    assert shown == set(wording.MEASURES)
