"""Outlines and labels over a picture after the answer."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Literal

import pytest
from selectolax.lexbor import LexborHTMLParser as HTMLParser

from server.rendering.outlines import Region
from server.services.catalogue import load_catalogue
from server.services.learners import Learner
from server.services.study import Comparison, Feedback
from server.services.study.results import Mark
from server.web.overlays import LINE, _label_place, outlines_of, plain_outlines
from server.web.pages import fields_of
from server.web.sheets import feedback_page
from tests import factories
from tests.web.conftest import Browser, one


def square(left: int, top: int, side: int = 100, kind: str = "pallor") -> Region:
    right, bottom = left + side, top + side
    return Region(kind, ((left, top), (right, top), (right, bottom), (left, bottom)))


@pytest.mark.parametrize("left", [0, 450, 900])
@pytest.mark.parametrize("top", [0, 450, 900])
def test_labels_stay_in_the_picture_and_off_their_region(left: int, top: int) -> None:
    x, y, anchor = _label_place([square(left, top)], [])
    assert 0 < x < 1000
    assert LINE < y <= 1000 - 70
    assert not top < y - LINE / 2 < top + 100 or not left - 100 < x < left + 200
    assert {"start": x < 250, "end": x > 750, "middle": 250 <= x <= 750}[anchor]


def test_labels_of_things_at_one_place_do_not_cover_one_another() -> None:
    taken: list[tuple[int, int]] = []
    for _ in range(4):
        x, y, _ = _label_place([square(450, 450)], taken)
        assert all(abs(y - other) >= LINE for _, other in taken)
        taken.append((x, y))


def answered(browser: Browser, kind: Literal["finding", "look-alike"], *, right: bool) -> Feedback:
    """Return the feedback on a card of this kind, as the services give it."""
    with browser.database.writing() as session:
        learner = factories.guest(session)
        for given in factories.practise(session, learner, right=right):
            if given.card.kind == kind:
                return given
    raise AssertionError(f"no {kind} was dealt")


@pytest.mark.parametrize(("right", "style"), [(True, "seen"), (False, "missed")])
def test_a_finding_is_drawn_as_it_was_answered(visitor: Browser, right: bool, style: str) -> None:
    feedback = answered(visitor, "finding", right=right)
    drawn = outlines_of(feedback, load_catalogue())
    assert [one.style for one in drawn] == ["landmark", style]
    assert drawn[-1].label == load_catalogue().finding(feedback.card.finding or "").short.lower()
    assert re.fullmatch(r"(M\d+ \d+(L\d+ \d+)+Z)+", drawn[-1].path)


def test_a_look_alike_shows_what_was_mistaken_for_the_finding(visitor: Browser) -> None:
    feedback = answered(visitor, "look-alike", right=False)
    scar = square(600, 600, kind="laser-scar")
    more = {**feedback.outlines, "laser-scar": (scar,), "fovea": (square(480, 480, 40),)}
    drawn = outlines_of(replace(feedback, outlines=more), load_catalogue())
    assert [(one.style, one.label) for one in drawn if one.label] == [("other", "laser scar")]


def test_every_mark_of_the_sheet_has_its_own_icon_and_word(visitor: Browser) -> None:
    feedback = answered(visitor, "finding", right=True)
    marks: tuple[Mark | None, ...] = (
        "hit",
        "miss",
        "false-alarm",
        "correct-rejection",
        None,
        "hit",
    )
    results = tuple(
        replace(
            result,
            mark=mark,
            present=mark in ("hit", "miss"),
            asked=mark is not None,
            regions=(square(450, 450),) if mark in ("hit", "miss") else (),
        )
        for result, mark in zip(feedback.findings, marks, strict=True)
    )
    page = feedback_page(
        answered_by(visitor), replace(feedback, findings=results), load_catalogue()
    )
    assert [row.mark for row in page.rows] == [
        "seen", "missed", "imagined", "agreed", "unseen", "seen",
    ]  # fmt: skip
    assert [row.words for row in page.rows][:4] == ["seen", "missed", "false alarm", "you agreed"]


def answered_by(browser: Browser) -> Learner:
    with browser.database.writing() as session:
        return factories.guest(session)


def test_a_small_picture_has_one_unlabelled_path() -> None:
    assert plain_outlines(()) == ()
    (only,) = plain_outlines((square(1, 1), square(500, 500)))
    assert only.label == ""
    assert only.path.count("M") == 2


def test_a_comparison_is_shown_side_by_side(visitor: Browser) -> None:
    """When the services offer a second eye, both pictures stand beside each other, named."""
    feedback = answered(visitor, "finding", right=False)
    beside = Comparison(feedback.card, "ab" * 32, (square(400, 400),))
    context = feedback_page(
        answered_by(visitor), replace(feedback, comparison=beside), load_catalogue()
    )
    site = visitor.client.app.state.site  # type: ignore[attr-defined]
    html = site.pages.environment.get_template(context.TEMPLATE).render(fields_of(context))
    figures = HTMLParser(html).css(".beside figure")
    assert len(figures) == 2
    assert f"/pictures/{'ab' * 32}.webp" in (figures[1].html or "")
    assert all(one(figure, "figcaption").text().strip() for figure in figures)
