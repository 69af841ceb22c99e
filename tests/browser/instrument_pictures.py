"""``python3 -m tests instrument-pictures [DIR]``: the views of the page on the ophthalmoscope.

They are read off the moving view itself, so that the page shows what the view shows. Without a
folder they go where the page has them.
"""

from __future__ import annotations

import html
import io
import json
import re
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, Route, sync_playwright

from server.bootstrap import ROOT
from server.optics.field_of_view import APERTURES
from server.services import bedside, instrument
from server.services.reading import InstrumentView, load_instrument
from tests.browser.conftest import CHROMIUM, PHONE
from tests.browser.program import Program

ON_THE_PAGE = ROOT / "static" / "pictures" / "instrument"
WIDTH_PX = 420
QUALITY = 80


def main(arguments: list[str]) -> int:
    """Take the pictures; return 2 where there is no browser to take them with."""
    if CHROMIUM is None:
        print("chromium is not installed: apt-get install chromium", file=sys.stderr)
        return 2
    out = Path(arguments[0]) if arguments else ON_THE_PAGE
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        program = Program(Path(folder) / "data")
        program.start()
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            page = browser.new_context(base_url=program.address, **PHONE).new_page()
            for name, view in views():
                shown(page, view).save(out / f"{name}.webp", quality=QUALITY, method=6)
        finally:
            browser.close()
            program.stop()
    print(f"written to {out}")
    return 0


def views() -> Iterator[tuple[str, InstrumentView]]:
    """Yield every view of the page with its picture's name, as the template has it."""
    for section in load_instrument().sections:
        for k, paragraph in enumerate(section.paragraphs, 1):
            for n, view in enumerate(paragraph.views, 1):
                yield f"{section.id}-{k}-{n}", view


def shown(page: Page, wanted: InstrumentView) -> Image.Image:
    """Show a view and return what is on the screen."""
    eye = bedside.bedside_eye(wanted.eye)
    patient = replace(
        eye.patient,
        pupil_mm=wanted.pupil_mm,
        haze=wanted.haze,
        clouding=wanted.clouding,
        begins_deg=(0.0, 0.0),
    )
    if wanted.aperture == "red-free":
        # Where its new vessels are.
        patient = replace(patient, begins_deg=eye.begins_deg)
    address = f"/bedside/{wanted.eye}"
    page.unroute_all()
    page.route(f"**{address}", lambda route: route.fulfill(body=with_patient(route, patient)))
    page.goto(address)
    page.wait_for_selector(".stage.ready")
    page.locator("[data-near]").fill(str(round(100 * wanted.near)))
    if wanted.near == 1:
        page.locator("canvas[data-at]").wait_for()
        wheel = instrument.view_of(patient, bedside.cells_of(wanted.eye).cells)["wheel"]
        page.locator("[data-dial]").fill(str(wheel.index(wanted.lens)))
        page.get_by_role("radio").nth(list(APERTURES).index(wanted.aperture)).check(force=True)
    # What lies over the view would be in the picture.
    page.evaluate(
        "document.querySelectorAll('.stage > :not(canvas, img)').forEach((each) => each.remove())"
    )
    page.wait_for_timeout(900)
    taken = Image.open(io.BytesIO(page.locator("canvas").screenshot())).convert("RGB")
    return taken.resize((WIDTH_PX, WIDTH_PX), Image.Resampling.LANCZOS)


def with_patient(route: Route, patient: instrument.Patient) -> str:
    """Return the page of an eye as it would be for another patient."""
    number = int(route.request.url.rsplit("/", 1)[1])
    view = instrument.view_of(patient, bedside.cells_of(number).cells)
    eye = html.escape(json.dumps(view, separators=(",", ":")))
    return re.sub('data-bedside="[^"]*"', f'data-bedside="{eye}"', route.fetch().text())
