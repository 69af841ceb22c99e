// Coming closer to a picture: pinch, scroll wheel, double tap, button, or keys; drag to move about.

import { keysWanted, onPage } from "./page.js";

const CLOSEST = 6;
const STEP = 2.5;
const TAP_MS = 350;
const DOUBLE_MS = 300;
const SLIP_PX = 8;

/** Attach zooming to a stage; taps that are neither double nor a drag are given as a "tap" event. */
function setUp(stage) {
  const view = stage.querySelector("[data-window]");
  const plane = stage.querySelector("[data-plane]");
  const button = stage.querySelector("[data-zoom]");
  let scale = 1;
  let x = 0;
  let y = 0;
  const fingers = new Map();
  let pinch = null;
  let moved = false;
  let downAt = 0;
  let lastTap = { at: 0, x: 0, y: 0 };

  function draw() {
    const side = view.clientWidth;
    x = Math.min(0, Math.max(side * (1 - scale), x));
    y = Math.min(0, Math.max(side * (1 - scale), y));
    plane.style.transform = scale === 1 ? "" : `translate(${x}px, ${y}px) scale(${scale})`;
    // Marks and lettering over the picture keep their size while it grows.
    plane.style.setProperty("--zoom", scale);
    view.classList.toggle("closer", scale > 1);
    button?.setAttribute("aria-pressed", String(scale > 1));
  }

  /** Scale about a point of the window, which stays where it is. */
  function zoomTo(wanted, px, py) {
    const next = Math.min(CLOSEST, Math.max(1, wanted));
    x = px - ((px - x) / scale) * next;
    y = py - ((py - y) / scale) * next;
    scale = next < 1.02 ? 1 : next;
    draw();
  }

  function place(event) {
    const box = view.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  function toggle(px = view.clientWidth / 2, py = view.clientHeight / 2) {
    zoomTo(scale > 1 ? 1 : STEP, px, py);
  }

  view.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    fingers.set(event.pointerId, place(event));
    if (fingers.size === 1) {
      moved = false;
      downAt = event.timeStamp;
    } else {
      moved = true;
      pinch = null;
    }
  });

  view.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = place(event);
    if (fingers.size === 2) {
      fingers.set(event.pointerId, now);
      const [a, b] = [...fingers.values()];
      const spread = Math.hypot(a[0] - b[0], a[1] - b[1]);
      const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];
      if (pinch) {
        x += middle[0] - pinch.middle[0];
        y += middle[1] - pinch.middle[1];
        zoomTo((scale * spread) / pinch.spread, ...middle);
      }
      pinch = { spread, middle };
      return;
    }
    const [dx, dy] = [now[0] - before[0], now[1] - before[1]];
    if (!moved && Math.hypot(dx, dy) < SLIP_PX) return;
    if (!moved) stage.dispatchEvent(new CustomEvent("drag"));
    moved = true;
    if (scale > 1) {
      // Only now does the finger belong to us; before, the browser may still scroll the page.
      view.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, now);
      x += dx;
      y += dy;
      draw();
    }
  });

  function lift(event) {
    const at = fingers.get(event.pointerId);
    fingers.delete(event.pointerId);
    pinch = null;
    if (!at || moved || event.type !== "pointerup" || event.timeStamp - downAt > TAP_MS) return;
    const [px, py] = at;
    const near = Math.hypot(px - lastTap.x, py - lastTap.y) < 30;
    if (event.timeStamp - lastTap.at < DOUBLE_MS && near) {
      lastTap = { at: 0, x: 0, y: 0 };
      stage.dispatchEvent(new CustomEvent("double"));
      toggle(px, py);
      return;
    }
    lastTap = { at: event.timeStamp, x: px, y: py };
    const side = view.clientWidth;
    const detail = { x: ((px - x) / scale / side) * 1000, y: ((py - y) / scale / side) * 1000 };
    stage.dispatchEvent(new CustomEvent("tap", { detail }));
  }
  view.addEventListener("pointerup", lift);
  view.addEventListener("pointercancel", lift);
  view.addEventListener("pointerleave", (event) => {
    if (!view.hasPointerCapture(event.pointerId)) fingers.delete(event.pointerId);
  });

  view.addEventListener(
    "wheel",
    (event) => {
      // Where the page itself scrolls, a plain wheel is left to it until the picture is closer.
      const scrolls = document.documentElement.scrollHeight > innerHeight + 1;
      if (scrolls && scale === 1 && !event.ctrlKey) return;
      event.preventDefault();
      zoomTo(scale * Math.exp(-event.deltaY * (event.ctrlKey ? 0.01 : 0.002)), ...place(event));
    },
    { passive: false },
  );
  view.addEventListener("contextmenu", (event) => {
    if (event.pointerType !== "mouse") event.preventDefault();
  });
  button?.addEventListener("click", () => toggle());
  addEventListener("resize", draw);
  stage.addEventListener("zoom-key", () => toggle());
}

onPage((root) => root.querySelectorAll("[data-stage]").forEach(setUp));

document.addEventListener("keydown", (event) => {
  if (!keysWanted(event) || event.key.toLowerCase() !== "z") return;
  document.querySelector("[data-stage]")?.dispatchEvent(new CustomEvent("zoom-key"));
});
