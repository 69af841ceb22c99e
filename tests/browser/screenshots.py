"""``python3 -m tests screenshots [DIR]``: the README's pictures, from the running program.

Without a folder they go where the README shows them. A look, a feedback and the
progress page are taken on a phone; the sheet is answered as a beginner would,
with everything called normal, so that the feedback has something to tell.
"""

from __future__ import annotations

import io
import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from server.bootstrap import ROOT
from tests.browser import steps
from tests.browser.conftest import CHROMIUM, DESKTOP, PHONE, Watched
from tests.browser.program import Program

SHOWN_IN_README = ROOT / "static" / "screenshots"
EYES = 12
WIDTH = 390


def main(arguments: list[str]) -> int:
    """Take the pictures; return 2 where there is no browser to take them with."""
    if CHROMIUM is None:
        print("chromium is not installed: apt-get install chromium", file=sys.stderr)
        return 2
    out = Path(arguments[0]) if arguments else SHOWN_IN_README
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        program = Program(Path(folder) / "data", FUNDUS_PICTURE_PX="1024")
        program.start()
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            for name, screen in (("phone", PHONE), ("desktop", DESKTOP)):
                for scheme in ("light", "dark"):
                    context = browser.new_context(
                        base_url=program.address, color_scheme=scheme, **screen
                    )
                    learner = Watched(context, program.address)
                    _tour(learner, out, f"{name}-{scheme}")
                    context.close()
        finally:
            browser.close()
            program.stop()
    print(f"written to {out}")
    return 0


def _tour(learner: Watched, out: Path, suffix: str) -> None:
    page = learner.page
    page.goto("/")
    _keep(page, out / f"first-{suffix}.webp")
    steps.begin(learner, minutes=5)
    told = False
    for eye in range(EYES):
        steps.wait_for_eye(page)
        if eye == 0:
            _keep(page, out / f"look-{suffix}.webp")
        steps.answer(page, "unsure" if eye % 3 else "sure")
        if not told and page.locator(".verdict.wrong").count():
            told = True
            _keep(page, out / f"feedback-{suffix}.webp")
        page.locator("[data-next-eye]").click()
        page.wait_for_function("() => !document.querySelector('[data-told]')")
    page.goto("/progress")
    _keep(page, out / f"progress-{suffix}.webp")


def _keep(page: Page, path: Path) -> None:
    page.wait_for_timeout(400)
    shot = Image.open(io.BytesIO(page.screenshot()))
    shot.convert("RGB").save(path, quality=82, method=6)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
