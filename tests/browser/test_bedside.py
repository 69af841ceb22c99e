"""Whole examinations at the bedside in a real browser: by touch, by keyboard, by still fields."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from io import BytesIO
from typing import Any

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Page, expect

from server.optics import PatientEye, RecordedPath, cover, lens_needed_d
from server.optics.focus import WHEEL_D
from server.optics.regions import STEP
from server.services import bedside, instrument
from tests.browser.conftest import DESKTOP, PHONE, Opener, Watched
from tests.browser.instrument_pictures import with_patient
from tests.browser.test_accessible import violations


def start(learner: Watched, number: int = 1) -> Page:
    """Come to an eye, and straight to the moving view of its fundus."""
    page = learner.page
    page.goto(f"/bedside/{number}")
    expect(page.locator(".stage.ready")).to_be_visible()
    page.get_by_role("button", name="Straight to the fundus").click()
    expect(page.locator("canvas[data-at]")).to_be_focused()
    return page


def drag(page: Page, across: float, down: float) -> None:
    """Drag the fundus with one finger, as far as the screen allows at a time."""
    box = page.locator("canvas").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    finger = page.context.new_cdp_session(page)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        at = [{"x": px, "y": py} for px, py in points]
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": at})

    touch("touchStart", (x, y))
    for step in range(1, 9):
        touch("touchMove", (x + across * step / 8, y + down * step / 8))
        page.wait_for_timeout(40)
    touch("touchEnd")


def place(page: Page) -> tuple[float, float]:
    """Where the field is, degrees from the fovea."""
    row = page.locator("canvas").get_attribute("data-at") or ""
    x, y = row.split(" ")
    return float(x), float(y)


def on_screen(page: Page) -> np.ndarray:
    """What is really on the screen, read off a picture of it."""
    shot = Image.open(BytesIO(page.locator("canvas").screenshot()))
    return np.asarray(shot.convert("RGB"), float)


def edges(shown: np.ndarray) -> float:
    """How much the fundus in the middle of the view differs from one point to the next."""
    cut = shown.shape[0] // 6
    return float(np.abs(np.diff(shown[cut:-cut, cut:-cut], axis=0)).mean())


def test_an_examination_by_touch_on_a_phone(opened: Opener) -> None:
    page = start(opened(**PHONE))
    begun = place(page)
    blurred = on_screen(page)
    assert blurred.mean() > 20
    for _ in range(3):
        page.get_by_role("button", name="One step towards minus").tap()
    expect(page.locator("[data-reading]")).to_have_text("+1 D")
    page.wait_for_timeout(300)
    sharp = on_screen(page)
    # Sharp is what has edges.
    assert edges(sharp) > 1.15 * edges(blurred)
    # The fundus follows the finger: to see what is higher up, it is pulled down.
    drag(page, 40, 150)
    x, y = place(page)
    assert y < begun[1] - 3
    assert x < begun[0]
    page.wait_for_timeout(900)
    page.get_by_role("radio", name="Red-free").check(force=True)
    page.wait_for_timeout(300)
    green = on_screen(page)
    assert green[..., 1].mean() > green[..., 0].mean()
    page.get_by_role("radio", name="Large").check(force=True)
    for way in ("up", "to the ear", "down", "to the nose"):
        page.get_by_role("button", name=way, exact=True).tap()
        page.wait_for_timeout(700)
    page.get_by_role("button", name="at the light").tap()
    page.wait_for_timeout(1200)
    assert math.hypot(*place(page)) < 0.1
    page.get_by_role("button", name="Put the instrument down").tap()
    chart = page.locator("[data-map]")
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    assert box is not None
    page.touchscreen.tap(box["x"] + 0.36 * box["width"], box["y"] + 0.46 * box["height"])
    expect(page.get_by_role("radio", name="Something abnormal")).to_be_checked()
    page.get_by_role("button", name="Tell me").tap()
    expect(page.get_by_role("heading", name="Right.")).to_be_visible()
    expect(page.get_by_text("Your mark is on it.")).to_be_visible()
    expect(page.get_by_text("The macula came last.")).to_be_visible()
    assert page.locator("table.covered tbody tr").count() == 7


def test_an_examination_by_keyboard_alone(opened: Opener) -> None:
    page = start(opened(**PHONE, reduced_motion="reduce"), 3)
    page.locator("canvas").focus()
    begun = place(page)
    for _ in range(3):
        page.keyboard.press("-")
    expect(page.locator("[data-reading]")).to_have_text("+1 D")
    for key in ("ArrowUp", "ArrowRight", "Shift+ArrowUp"):
        page.keyboard.press(key)
        page.wait_for_timeout(150)
    x, y = place(page)
    assert (x - begun[0], y - begun[1]) == pytest.approx((1.0, -5.0), abs=0.02)
    page.wait_for_timeout(900)

    def go_to(name: str) -> None:
        for _ in range(40):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.textContent.trim()") == name:
                return
        raise AssertionError(f"Tab never came to {name!r}")

    go_to("at the light")
    page.keyboard.press("Enter")
    page.wait_for_timeout(1000)
    assert place(page) == pytest.approx((0.0, 0.0), abs=0.01)
    # Borne only briefly; then the patient looks back to where one had been.
    expect(page.get_by_text("It dazzles")).to_be_visible(timeout=10_000)
    page.wait_for_timeout(200)
    assert math.hypot(*place(page)) > 8
    # Looking down, the upper lid hides the pupil until it is lifted.
    go_to("down")
    for _ in range(2):
        page.keyboard.press("Enter")
    expect(page.get_by_text("lift it")).to_be_visible()
    hidden = edges(on_screen(page))
    go_to("Lift the lid")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Lift the lid")).to_have_attribute(
        "aria-pressed", "true"
    )
    page.wait_for_timeout(200)
    assert edges(on_screen(page)) > 2 * hidden
    go_to("Put the instrument down")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="What did you see?")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    expect(page.get_by_role("radio", name="Nothing abnormal")).to_be_checked()
    page.keyboard.press("Tab")
    page.keyboard.press("ArrowLeft")
    expect(page.get_by_role("radio", name="Something abnormal")).to_be_checked()
    assert page.locator("[name=mark_x]").input_value() != ""
    page.keyboard.press("Delete")
    assert page.locator("[name=mark_x]").input_value() == ""
    page.get_by_role("radio", name="Nothing abnormal").check()
    go_to("Tell me")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Right.")).to_be_visible()
    expect(page.locator("table.covered")).to_contain_text("Macula")


def test_a_shadow_in_the_reflex_moves_as_its_depth_says(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    eye = bedside.bedside_eye(1)
    hazy = eye.patient
    # The page of a clear eye, with a patient whose media are hazy.
    page.route("**/bedside/1", lambda route: route.fulfill(body=with_patient(route, hazy)))

    def dark_at() -> float:
        """Where the middle of the shadow stands in the pupil, in its widths to the right."""
        page.wait_for_timeout(250)
        seen = on_screen(page)
        mid = seen.shape[0] // 2
        pupil = seen[mid - 60 : mid + 60, mid - 60 : mid + 60]
        dark = pupil[..., 0] < 140
        return float(np.nonzero(dark)[1].mean()) / 120

    for kind, way in (("corneal-scar", -1), ("posterior-subcapsular-cataract", 1)):
        hazy = replace(eye.patient, pupil_mm=7.0, haze=0.6, clouding=kind)
        page.goto("/bedside/1")
        expect(page.locator(".stage.ready")).to_be_visible()
        stand = page.get_by_role("slider", name="Stand to the side")
        straight = dark_at()
        page.locator("canvas").focus()
        for _ in range(4):
            page.keyboard.press("ArrowRight")
        expect(stand).to_have_attribute("aria-valuetext", "6 centimetres to the right")
        right = dark_at()
        stand.fill("-60")
        assert way * (right - straight) > 0.01 < way * (straight - dark_at())
        # By finger to the middle again: half of the view is half of the way.
        drag(page, 195, 0)
        expect(stand).to_have_attribute("aria-valuetext", "straight before it")


def test_red_free_darkens_vessels_and_the_slit_bends_over_what_is_raised(opened: Opener) -> None:
    """As a maker's manual says of both: vessels almost black, and elevation by the slit."""
    learner = opened(**DESKTOP)
    page = learner.page
    eye = bedside.bedside_eye(1)
    patient = replace(eye.patient, pupil_mm=7.0, begins_deg=(0.0, 0.0))
    page.route("**/bedside/1", lambda route: route.fulfill(body=with_patient(route, patient)))
    start(learner)
    page.locator("[data-dial]").fill(str(WHEEL_D.index(1)))
    page.wait_for_timeout(400)

    def middle() -> np.ndarray:
        shown = on_screen(page).mean(axis=2)
        cut = shown.shape[0] // 4
        return np.asarray(shown[cut:-cut, cut:-cut])

    def contrast(shown: np.ndarray) -> float:
        """Of the darkest to the middling, in light rather than in the screen's steps."""
        dark, usual = np.percentile(shown**2.0, [3, 50])
        return float(1 - dark / usual)

    white = contrast(middle())
    page.get_by_role("radio", name="Red-free").check(force=True)
    page.wait_for_timeout(400)
    assert contrast(middle()) > 1.3 * white

    page.get_by_role("radio", name="Slit").check(force=True)
    # It goes aside by 0.15 degrees for each dioptre that a place needs beyond the flat retina.
    cells = bedside.cells_of(1).cells
    flat = lens_needed_d(PatientEye(patient.refraction_d), instrument.DISTANCE_MM)
    expected, measured = [], []
    for gaze in ("", "at the light"):
        if gaze:
            page.get_by_role("button", name=gaze).click()
        page.wait_for_timeout(900)
        shown = on_screen(page).mean(axis=2)
        degree = shown.shape[0] / (2 * instrument.HALF_VIEW_DEG)
        lit = shown > 0.5 * shown.max(axis=1, keepdims=True)
        x, y = place(page)
        j = round(100 * x - cells.ground.left) // STEP
        for down in (0.3, 0.5, 0.7):
            row = round(down * shown.shape[0])
            ends = [np.nonzero(each)[0][[0, -1]].mean() for each in lit[row - 6 : row + 7]]
            measured.append(float(np.median(ends)) / degree - instrument.HALF_VIEW_DEG)
            beneath = y + (down - 0.5) * 2 * instrument.HALF_VIEW_DEG
            need = cells.needs[round(100 * beneath - cells.ground.top) // STEP, j]
            expected.append(0.15 * (need / 100 - flat))
    assert min(expected[:3]) > 0.2 > 0.02 > max(expected[3:])
    assert measured == pytest.approx(expected, abs=0.07)


def test_the_page_counts_what_the_server_counts(opened: Opener) -> None:
    page = start(opened(**DESKTOP), 1)
    source = page.locator("script[src*='/js/bedside.js']").get_attribute("src") or ""
    module = re.sub("bedside.js$", "coverage.js", source)
    rng = np.random.default_rng(8)
    for eye in bedside.load_bedside():
        cells = bedside.cells_of(eye.number).cells
        wheel = [power for power in WHEEL_D if abs(power - eye.refraction_d) < 4]
        rows: list[list[int]] = []
        time = 0
        for _ in range(60):
            x, y = rng.integers(-2500, 2500, 2)
            lens = 100 * int(rng.choice(wheel))
            stop = int(rng.integers(0, 4))
            rows.append([time, int(x), int(y), stop, lens, round(100 * eye.pupil_mm)])
            time += int(rng.integers(120, 1500))
        ours = cover(RecordedPath.of_rows(rows), cells.ground, cells.needs, eye.patient.setting)
        theirs: dict[str, Any] = page.evaluate(
            """async ([module, rows, view]) => {
                const { cover, unrun } = await import(module);
                const done = cover(rows, view, unrun(view.needs), view.setting);
                return { dwell: [...done.dwell], seen: done.seen };
            }""",
            [module, rows, instrument.view_of(eye.patient, cells)],
        )
        assert theirs["dwell"] == ours.dwell.ravel().tolist()
        assert theirs["seen"] == int(ours.seen.sum()) > 300


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("screen", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_no_bedside_page_has_a_violation(
    opened: Opener, screen: dict[str, Any], scheme: str
) -> None:
    learner = opened(color_scheme=scheme, **screen)
    page = start(learner, 2)
    wrong = violations(page)
    page.wait_for_timeout(800)
    page.get_by_role("button", name="Put the instrument down").click()
    wrong += violations(page)
    page.get_by_role("radio", name="Nothing abnormal").check()
    page.get_by_role("button", name="Tell me").click()
    expect(page.get_by_role("heading", name="Not right.")).to_be_visible()
    wrong += violations(page)
    for address in ("/bedside", "/bedside/instrument", "/bedside/2/fields"):
        page.goto(address)
        wrong += violations(page)
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= screen["viewport"]["width"]
    assert wrong == []
