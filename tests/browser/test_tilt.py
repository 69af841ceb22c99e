"""Moving the bedside view by tilting the phone, as the browser's debugging protocol tells it."""

from __future__ import annotations

import math
import re
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import CDPSession, Locator, Page, expect
from scipy.spatial.transform import Rotation

from tests.browser.conftest import DESKTOP, PHONE, Opener
from tests.browser.test_accessible import violations
from tests.browser.test_bedside import place, start

FLAT_ENOUGH = 45.0
"""Degrees by which somebody reading it lifts a phone's upper edge."""


def sensor(page: Page) -> CDPSession:
    """Return the browser's debugging protocol, for ``hold``."""
    return page.context.new_cdp_session(page)


def hold(protocol: CDPSession, lifted: float, hanging: float = 0.0) -> None:
    """Hold the phone, its upper edge lifted and its right edge hanging so much (beta, gamma)."""
    protocol.send(
        "DeviceOrientation.setDeviceOrientationOverride",
        {"alpha": 0, "beta": lifted, "gamma": hanging},
    )


def switch(page: Page) -> Locator:
    return page.get_by_role("button", name="Tilt to move")


def turn_on(page: Page) -> None:
    """Turn it on, and wait until the page has heard how the phone is held."""
    switch(page).tap()
    expect(switch(page)).to_have_attribute("aria-pressed", "true")
    expect(page.get_by_role("button", name="Level here")).to_be_visible()


def moves(page: Page, begun: tuple[float, float]) -> tuple[float, float]:
    """Wait until the field has moved by two degrees, and return by how much: right, down."""
    for _ in range(100):
        page.wait_for_timeout(100)
        x, y = place(page)
        if math.hypot(x - begun[0], y - begun[1]) > 2:
            return x - begun[0], y - begun[1]
    raise AssertionError("the field does not move")


def rests(page: Page) -> tuple[float, float]:
    """Wait until the field rests, and return where."""
    for _ in range(20):
        before = place(page)
        page.wait_for_timeout(500)
        if place(page) == before:
            return before
    raise AssertionError("the field does not rest")


def test_tilting_moves_the_field_once_it_is_turned_on(opened: Opener) -> None:
    page = start(opened(**PHONE))
    phone = sensor(page)
    hold(phone, FLAT_ENOUGH)
    hold(phone, FLAT_ENOUGH, 20)
    page.wait_for_timeout(400)
    begun = place(page)
    # Off at first, whatever the phone does.
    expect(switch(page)).to_have_attribute("aria-pressed", "false")
    page.wait_for_timeout(300)
    assert place(page) == begun
    hold(phone, FLAT_ENOUGH)
    switch(page).tap()
    expect(page.get_by_text("tilt it to move")).to_be_visible()
    expect(switch(page)).to_have_attribute("aria-pressed", "true")
    expect(page.get_by_role("button", name="Level here")).to_be_visible()
    assert violations(page) == []
    # A hand that trembles moves nothing.
    for lifted, hanging in ((46.5, 1), (43, -1.5), (45, 2.5)):
        hold(phone, lifted, hanging)
        page.wait_for_timeout(120)
    assert place(page) == begun
    # The right edge hangs: to the right. The upper edge lifted: down.
    hold(phone, FLAT_ENOUGH, 16)
    right = moves(page, begun)
    assert right[0] > 1
    assert abs(right[1]) < right[0] / 2
    # As it was at first: it stays.
    hold(phone, FLAT_ENOUGH)
    begun = rests(page)
    hold(phone, FLAT_ENOUGH + 15)
    down = moves(page, begun)
    assert down[1] > 1
    assert abs(down[0]) < down[1] / 2
    # Another way to hold it can be made the level one.
    page.get_by_role("button", name="Level here").tap()
    hold(phone, FLAT_ENOUGH + 16)
    rests(page)
    # What was looked at meanwhile is recorded like any other way of moving.
    page.get_by_role("button", name="Put the instrument down").tap()
    path = page.locator("[name=path]").input_value()
    assert len(path.split("_")) > 6
    page.get_by_role("radio", name="Nothing abnormal").check()
    page.get_by_role("button", name="Tell me").tap()
    expect(page.get_by_role("heading", name="What you looked at")).to_be_visible()


def test_it_is_remembered_until_turned_off(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    page.goto("/bedside")
    phone = sensor(page)
    hold(phone, 30)
    start(learner)
    turn_on(page)
    start(learner, 2)
    expect(page.get_by_role("button", name="Level here")).to_be_visible()
    begun = place(page)
    hold(phone, 30, -18)
    assert moves(page, begun)[0] < -1
    switch(page).tap()
    expect(switch(page)).to_have_attribute("aria-pressed", "false")
    expect(page.get_by_role("button", name="Level here")).to_be_hidden()
    stays = place(page)
    hold(phone, 30, 25)
    page.wait_for_timeout(400)
    assert place(page) == stays
    start(learner, 3)
    expect(switch(page)).to_have_attribute("aria-pressed", "false")


def test_the_way_is_the_screens_when_it_is_turned(opened: Opener) -> None:
    learner = opened(**PHONE)
    page = learner.page
    page.goto("/bedside")
    phone = sensor(page)
    # On its left long edge, as for a film: what was its right edge is now above.
    phone.send(
        "Emulation.setDeviceMetricsOverride",
        {
            "width": 844,
            "height": 390,
            "deviceScaleFactor": 2,
            "mobile": True,
            "screenOrientation": {"type": "landscapePrimary", "angle": 90},
        },
    )
    hold(phone, 0, -45)
    start(learner)
    assert page.evaluate("screen.orientation.angle") == 90
    turn_on(page)
    begun = place(page)
    # Its upper edge as it was made, on the left now, lifted by 15 degrees: the right one hangs.
    beta, gamma = turned_about_screen(15)
    hold(phone, beta, gamma)
    across, down = moves(page, begun)
    assert across > 1
    assert abs(down) < across / 2


def turned_about_screen(hangs: float) -> tuple[float, float]:
    """Return beta and gamma of a phone lying on its side, then its right-hand edge lowered."""
    held = Rotation.from_euler("ZXY", [0, 0, -45], degrees=True)
    # About the axis that points up the screen: the device's own x, when it is turned by 90.
    both = held * Rotation.from_rotvec([math.radians(hangs), 0, 0])
    _, beta, gamma = both.as_euler("ZXY", degrees=True)
    return float(beta), float(gamma)


def test_less_motion_is_honoured(opened: Opener) -> None:
    learner = opened(**PHONE, reduced_motion="reduce")
    page = learner.page
    page.goto("/bedside")
    phone = sensor(page)
    hold(phone, 30)
    start(learner)
    turn_on(page)
    page.evaluate(
        """() => {
            window.places = new Set();
            new MutationObserver(() => places.add(document.querySelector("canvas").dataset.at))
              .observe(document.querySelector("canvas"), { attributeFilter: ["data-at"] });
        }"""
    )
    hold(phone, 30, 20)
    moves(page, place(page))
    page.evaluate("places.clear()")
    page.wait_for_timeout(1000)
    # In steps: at most one each quarter of a second.
    assert 1 <= page.evaluate("places.size") <= 6
    # And never by itself on the next page.
    start(learner, 2)
    expect(switch(page)).to_have_attribute("aria-pressed", "false")


@pytest.mark.parametrize("answer", ["granted", "denied"])
def test_a_phone_that_wants_to_be_asked_is_asked_by_a_tap(opened: Opener, answer: str) -> None:
    learner = opened(**PHONE)
    page = learner.page
    # Safari on iOS has this function; chromium has not, so the test brings it along.
    page.add_init_script(
        f"""DeviceOrientationEvent.requestPermission = async () => {{
            window.asked = (window.asked ?? 0) + 1;
            if (!navigator.userActivation.isActive) throw new DOMException("", "NotAllowedError");
            return "{answer}";
        }};"""
    )
    page.goto("/bedside")
    phone = sensor(page)
    hold(phone, 30)
    start(learner)
    assert page.evaluate("window.asked") is None
    switch(page).tap()
    if answer == "denied":
        expect(page.get_by_text("allow it in the browser's settings")).to_be_visible()
        expect(switch(page)).to_have_attribute("aria-pressed", "false")
        return
    expect(switch(page)).to_have_attribute("aria-pressed", "true")
    # Remembered, but a new page has to wait for the first tap, which coming in is.
    start(learner, 2)
    expect(switch(page)).to_have_attribute("aria-pressed", "true")


def test_nothing_is_offered_without_a_touch_screen(opened: Opener) -> None:
    page = start(opened(**DESKTOP))
    expect(switch(page)).to_have_count(0)


def test_a_device_that_does_not_tell_says_so(opened: Opener) -> None:
    page = start(opened(**PHONE))
    switch(page).tap()
    expect(page.get_by_text("does not tell how it is held")).to_be_visible()
    expect(switch(page)).to_have_attribute("aria-pressed", "false")


def test_how_it_is_held_agrees_with_scipy(opened: Opener) -> None:
    """W3C Device Orientation (turns about z, then x, then y) against scipy's rotations."""
    page = start(opened(**PHONE))
    source = page.locator("script[src*='/js/bedside.js']").get_attribute("src") or ""
    module = re.sub("bedside.js$", "tilt.js", source)
    rng = np.random.default_rng(3)
    angles = np.column_stack(
        [rng.uniform(0, 360, 60), rng.uniform(-70, 70, 60), rng.uniform(-80, 80, 60)]
    )
    turned = rng.choice([0, 90, 180, 270], 60)
    theirs: list[list[Any]] = page.evaluate(
        """async ([module, rows]) => {
            const { held } = await import(module);
            return rows.map(([alpha, beta, gamma, turned]) => held({ alpha, beta, gamma }, turned));
        }""",
        [module, np.column_stack([angles, turned]).tolist()],
    )
    for row, angle, told in zip(angles, turned, theirs, strict=True):
        screen = Rotation.from_euler("ZXY", row, degrees=True) * Rotation.from_euler(
            "z", -angle, degrees=True
        )
        right_edge, upper_edge, face = screen.apply(np.eye(3))[:, 2]
        assert told[0] == pytest.approx(-math.degrees(math.asin(right_edge)), abs=1e-6)
        if told[1] is not None:
            assert told[1] == pytest.approx(math.degrees(math.atan2(upper_edge, face)), abs=1e-6)
