"""The bedside view on a slow phone: frame times in the browser's own trace, and bytes.

The processor is slowed down four times by the browser. A dragged fundus is to need no more
than ``SCRIPT_GOAL_MS`` of the main thread for a frame, so that 60 frames a second leave room
for the rest. What the graphics processor needs can only be seen on a machine that has one:
the name of what draws is printed, and a bare canvas is cleared beside it in the same run.
"""

from __future__ import annotations

import json
import statistics
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, CDPSession, Page, sync_playwright

from server.services.instrument import BYTE_BUDGET
from tests.browser.conftest import CHROMIUM, PHONE
from tests.browser.program import Program

SLOWED = 4
SCRIPT_GOAL_MS = 8.0
"""Half of what a frame may take at 60 a second."""

REST_GOAL = 80_000
"""Bytes of the page without its picture: the 60 kB of any first visit, and the instrument."""

MOVES = 80
CATEGORIES = ["devtools.timeline", "disabled-by-default-devtools.timeline.frame"]

BARE = """() => new Promise((done) => {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 780;
  document.body.append(canvas);
  const gl = canvas.getContext("webgl2");
  let left = 120;
  requestAnimationFrame(function next() {
    gl.clearColor(0, left / 120, 0, 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
    left -= 1;
    if (left) requestAnimationFrame(next);
    else { canvas.remove(); done(); }
  });
})"""

DRAWN_BY = """() => {
  const gl = document.createElement("canvas").getContext("webgl2");
  const known = gl.getExtension("WEBGL_debug_renderer_info");
  return known ? gl.getParameter(known.UNMASKED_RENDERER_WEBGL) : "not told";
}"""


def main() -> None:
    """Print frame times of coming in, of dragging and of a bare canvas, and the bytes."""
    if CHROMIUM is None:
        print("chromium is not installed: apt-get install chromium")
        return
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        program = Program(Path(folder) / "data", FUNDUS_RENDER_WORKERS="0")
        program.start()
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            _measure(browser, program)
        finally:
            browser.close()
            program.stop()


def _measure(browser: Browser, program: Program) -> None:
    page = browser.new_context(base_url=program.address, **PHONE).new_page()
    line = page.context.new_cdp_session(page)
    sizes: dict[str, int] = {}
    names: dict[str, str] = {}
    line.send("Network.enable")
    line.on("Network.responseReceived", lambda e: names.update({e["requestId"]: _name(e)}))
    line.on(
        "Network.loadingFinished",
        lambda e: sizes.update({e["requestId"]: int(e["encodedDataLength"])}),
    )
    page.goto("/bedside/1")
    page.wait_for_selector(".stage.ready")
    page.wait_for_timeout(500)
    _weigh({names[key]: size for key, size in sizes.items() if key in names})
    print(f"\ndrawn by: {page.evaluate(DRAWN_BY)}; processor slowed {SLOWED} times\n")
    line.send("Emulation.setCPUThrottlingRate", {"rate": SLOWED})
    print(f"{'':24}  frames/s  script ms: median    95 %   of 16.7 ms")
    _tell("a bare canvas", _traced(browser, page, lambda: page.evaluate(BARE)))
    _tell("coming in", _traced(browser, page, lambda: _drag(page, line, 0.0, -0.2)))
    page.get_by_role("button", name="Straight to the fundus").click()
    page.wait_for_selector("canvas[data-at]")
    _tell("dragging, out of focus", _traced(browser, page, lambda: _drag(page, line, 0.2, 0.3)))
    for _ in range(3):
        page.get_by_role("button", name="One step towards minus").click()
    _tell("dragging, in focus", _traced(browser, page, lambda: _drag(page, line, 0.2, 0.3)))
    drawn = int(page.evaluate("document.querySelector('canvas').width"))
    print(f"\nscript goal: {SCRIPT_GOAL_MS} ms a frame; canvas now {drawn} pixels wide")


def _name(event: dict[str, Any]) -> str:
    return str(event["response"]["url"]).rsplit("/", 1)[-1]


def _weigh(sizes: dict[str, int]) -> None:
    picture = sum(size for name, size in sizes.items() if name.endswith(".webp"))
    rest = sum(sizes.values()) - picture
    for name, size in sorted(sizes.items(), key=lambda part: -part[1])[:8]:
        print(f"{size:>8}  {name}")
    print(f"{picture:>8}  the picture (budget {BYTE_BUDGET})")
    print(f"{rest:>8}  everything else (goal {REST_GOAL})")


def _drag(page: Page, line: CDPSession, across: float, down: float) -> None:
    """Draw one finger to and fro over the view, about 60 places a second."""
    box = page.locator("canvas").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

    def touch(kind: str, *points: dict[str, float]) -> None:
        line.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": list(points)})

    touch("touchStart", {"x": x, "y": y})
    for step in range(MOVES):
        share = abs((step % 60) - 30) / 30
        touch(
            "touchMove",
            {"x": x + share * across * box["width"], "y": y + share * down * box["height"]},
        )
        page.wait_for_timeout(16)
    touch("touchEnd")


def _traced(browser: Browser, page: Page, run: Callable[[], object]) -> list[dict[str, Any]]:
    """Run something under the browser's tracing; return the trace's events."""
    browser.start_tracing(page=page, categories=CATEGORIES)
    run()
    return list(json.loads(browser.stop_tracing())["traceEvents"])


def _tell(name: str, events: Sequence[dict[str, Any]]) -> None:
    """Print the frames of a trace: how many a second, and the script's time in each."""
    frames = sorted(
        (event for event in events if event["name"] == "FireAnimationFrame"),
        key=lambda event: float(event["ts"]),
    )
    if len(frames) < 10:
        print(f"{name:24}  too few frames to measure: {len(frames)}")
        return
    spent = sorted(float(event["dur"]) / 1000 for event in frames)
    seconds = (float(frames[-1]["ts"]) - float(frames[0]["ts"])) / 1e6
    rate = (len(frames) - 1) / seconds
    median, most = statistics.median(spent), spent[int(0.95 * len(spent))]
    print(f"{name:24}  {rate:8.1f}  {median:17.2f}  {most:6.2f}  {median / 16.7:11.0%}")
