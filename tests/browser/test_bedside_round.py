"""An eye at the bedside within a round, by touch on a phone: looked at, judged, told, counted."""

from __future__ import annotations

from uuid import UUID

from playwright.sync_api import Page, expect
from sqlalchemy import exists, select

from server.services import stock
from server.storage.engine import Database
from server.storage.models import ExaminationRow, LookRow, RoundItemRow
from tests import bedside
from tests.browser import steps
from tests.browser.conftest import PHONE, Opener, Watched
from tests.browser.program import Program
from tests.browser.test_accessible import violations
from tests.browser.test_bedside import drag, on_screen
from tests.factories import NOON

SMALL_PX = 384


def to_the_bedside(learner: Watched, program: Program, stage: int) -> None:
    """Come to an eye at the bedside; it is drawn for that as the pool would draw it."""
    page = learner.page
    steps.begin(learner)
    database = Database(f"sqlite:///{program.folder / 'fundus-rounds.db'}", wait_seconds=20)
    with database.reading() as session:
        round_id = session.scalars(
            select(LookRow.round_id).where(LookRow.id == UUID(steps.look_id(page)))
        ).one()
        card_id = session.scalars(
            select(RoundItemRow.card_id).where(
                RoundItemRow.round_id == round_id,
                RoundItemRow.card_id.like("swollen%") | RoundItemRow.card_id.like("crowded%"),
                ~exists().where(LookRow.round_item_id == RoundItemRow.id),
            )
        ).first()
        assert card_id is not None
        drawn = bedside.draw_wide(session, card_id, program.folder / "pictures", size_px=SMALL_PX)
    with database.writing() as session:
        stock.keep_eye(session, *drawn, NOON)
        bedside.plan_stage(session, round_id, card_id, stage)
    database.dispose()
    steps.answer(page)
    page.locator("[data-next-eye]").click()


def test_a_look_at_the_bedside_by_touch(opened: Opener, program: Program) -> None:
    learner = opened(**PHONE)
    page = learner.page
    to_the_bedside(learner, program, stage=1)
    expect(page.locator(".stage.ready")).to_be_visible()
    assert violations(page) == []
    # From an arm's length the pupil glows red in the middle of the view, and the lids do not.
    page.wait_for_timeout(300)
    far = on_screen(page)
    across = far.shape[1] // 2
    red, green, _ = far[across, across - 12]
    assert red > 1.7 * green > 100
    assert far[across // 2, across, 0] < 0.7 * red
    box = page.locator(".approach")
    nearness = box.get_by_role("slider", name="How near")
    expect(nearness).to_have_attribute("aria-valuetext", "40 centimetres away")
    expect(page.locator("[data-dial]")).to_be_hidden()
    # By finger half of the way, then by button; the fundus comes, and the wheel with it.
    drag(page, 0, -150)
    page.wait_for_timeout(300)
    glow = (on_screen(page)[..., 0] > 150).mean()
    assert glow > 1.5 * (far[..., 0] > 150).mean()
    assert page.locator("canvas[data-at]").count() == 0
    for _ in range(3):
        box.get_by_role("button", name="Come closer").tap()
    expect(page.locator("[data-dial]")).to_be_visible()
    expect(page.locator("canvas[data-at]")).to_be_focused()
    assert violations(page) == []
    # Within half a dioptre of what any eye of the first stage needs.
    for _ in range(4):
        page.get_by_role("button", name="One step towards minus").tap()
    expect(page.locator("[data-reading]")).to_have_text("0 D")
    drag(page, 30, 60)
    page.get_by_role("button", name="up", exact=True).tap()
    page.wait_for_timeout(800)
    page.get_by_role("button", name="at the light").tap()
    page.wait_for_timeout(900)
    page.get_by_role("button", name="What you see").tap()
    assert violations(page) == []
    # Without a word on certainty nothing is sent, and the recording goes on.
    page.get_by_role("button", name="Commit").tap()
    expect(page.get_by_text("Say how sure you are")).to_be_visible()
    page.get_by_role("button", name="Instrument").tap()
    page.get_by_role("button", name="down", exact=True).tap()
    page.wait_for_timeout(700)
    page.get_by_role("button", name="What you see").tap()
    page.locator("label.row", has=page.locator("[value=swollen-margin]")).locator(".yes").tap(
        force=True
    )
    page.locator(".certainty label", has=page.locator("[value=sure]")).tap()
    page.get_by_role("button", name="Commit").tap()
    # Something was seen, so its place is asked for first; one may look once more before.
    expect(page.get_by_role("heading", name="Where was it?")).to_be_focused()
    expect(page.locator("canvas")).to_be_hidden()
    assert violations(page) == []
    page.get_by_role("button", name="Look again").tap()
    expect(page.locator("canvas")).to_be_visible()
    page.get_by_role("button", name="Commit").tap()
    chart = page.locator("[data-map]")
    box_of = chart.bounding_box()
    disc = chart.locator(".disc").bounding_box()
    assert box_of is not None
    assert disc is not None
    assert box_of["width"] >= 380
    page.touchscreen.tap(disc["x"] + disc["width"] / 2, disc["y"] + disc["height"] / 2)
    page.get_by_role("button", name="That was the place").tap()
    expect(page.locator("[data-told]")).to_be_visible()
    expect(page.get_by_text("From memory:")).to_be_visible()
    expect(page.get_by_role("heading", name="What you looked at")).to_be_visible()
    assert page.locator(".pins .pin").count() == 1
    assert page.locator("path.unseen").count() == 1
    assert page.locator(".stops-made circle").count() >= 1
    assert violations(page) == []
    database = Database(f"sqlite:///{program.folder / 'fundus-rounds.db'}", wait_seconds=20)
    with database.reading() as session:
        row = session.scalars(
            select(ExaminationRow).order_by(ExaminationRow.answer_id.desc())
        ).first()
        assert row is not None
        # The page's own count came with it and agreed.
        assert row.refused == ""
        assert row.path is not None
        assert row.recalled is not None
        assert row.recalled["verdict"] in ("there", "near", None)
    database.dispose()
    page.goto("/progress")
    expect(page.get_by_role("heading", name="At the bedside")).to_be_visible()
    assert violations(page) == []


def test_the_same_as_still_fields(opened: Opener, program: Program) -> None:
    learner = opened(**PHONE, reduced_motion="reduce")
    page: Page = learner.page
    to_the_bedside(learner, program, stage=2)
    expect(page.locator(".stage.ready")).to_be_visible()
    page.get_by_role("link", name="Still fields instead").tap()
    expect(page.locator("[data-reflex]")).to_contain_text("even and bright")
    expect(page.locator(".still-fields svg")).to_have_count(13)
    assert violations(page) == []
    # Where something was, is asked with neither fields nor sheet in sight.
    row = page.locator("label.row", has=page.locator("[value=swollen-margin]"))
    row.locator(".yes").tap(force=True)
    page.locator(".certainty label", has=page.locator("[value=sure]")).tap()
    page.get_by_role("button", name="Commit").tap()
    expect(page.get_by_role("heading", name="Where was it?")).to_be_focused()
    for hidden in (".still-fields", ".asked", ".sheet"):
        expect(page.locator(hidden)).to_be_hidden()
    expect(page.locator("[data-map]")).to_be_in_viewport(ratio=0.9)
    assert violations(page) == []
    page.get_by_role("button", name="Without a mark").tap()
    expect(page.locator("[data-told]")).to_be_visible()
    # Nothing was recorded, so nothing is told of it.
    expect(page.get_by_role("heading", name="What you looked at")).to_have_count(0)
    # The places of the fields are put together on the whole fundus all the same.
    expect(page.locator(".stops-made.still .ring")).to_have_count(13)
    expect(page.locator(".in-fields")).to_contain_text("rings on the fundus")
    assert violations(page) == []
