// After the answer: hold for the healthy twin, outlines on and off, and the keys.

import { keysWanted, onPage } from "./page.js";

const HOLD_MS = 250;
const PRESS_MS = 180;

function setUp(root) {
  const stage = root.querySelector("[data-told]");
  if (!stage) return;
  const view = stage.querySelector("[data-window]");
  const caption = stage.querySelector("[data-caption]");
  const hold = root.querySelector("[data-hold]");
  const outlines = stage.querySelector("[data-outlines]");
  outlines.addEventListener("click", () => {
    const shown = !stage.classList.toggle("without");
    outlines.setAttribute("aria-pressed", String(shown));
  });

  // A photograph of a real eye has no twin.
  if (!hold) return;
  let pinned = false;

  function twin(shown) {
    stage.classList.toggle("twinned", shown);
    caption.toggleAttribute("hidden", !shown);
    hold.setAttribute("aria-pressed", String(shown));
  }

  // Held, it shows while held; tapped (or pressed by key), it stays until tapped again.
  let downAt = 0;
  hold.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    downAt = event.timeStamp;
    hold.setPointerCapture(event.pointerId);
    twin(true);
  });
  for (const end of ["pointerup", "pointercancel"]) {
    hold.addEventListener(end, (event) => {
      if (event.type === "pointercancel" || event.timeStamp - downAt > HOLD_MS) pinned = false;
      else pinned = !pinned;
      twin(pinned);
    });
  }
  hold.addEventListener("click", (event) => {
    // A click without a pointer is the keyboard's or a screen reader's.
    if (event.detail === 0) twin((pinned = !pinned));
  });
  hold.addEventListener("contextmenu", (event) => event.preventDefault());

  // Pressing on the picture itself does the same, unless the finger moves.
  let press = 0;
  const release = () => {
    clearTimeout(press);
    if (!pinned) twin(false);
  };
  view.addEventListener("pointerdown", (event) => {
    clearTimeout(press);
    if (event.button > 0 || !event.isPrimary) return release();
    press = setTimeout(() => twin(true), PRESS_MS);
  });
  for (const end of ["pointerup", "pointercancel", "pointerleave"]) view.addEventListener(end, release);
  stage.addEventListener("drag", release);
}

onPage(setUp);

document.addEventListener("keydown", (event) => {
  const stage = document.querySelector("[data-told]");
  if (!stage || !keysWanted(event)) return;
  const hold = document.querySelector("[data-hold]");
  switch (event.key.toLowerCase()) {
    case "n":
      document.querySelector("[data-next-eye]").click();
      break;
    case "h":
      if (!event.repeat && hold?.getAttribute("aria-pressed") === "false") hold.click();
      break;
    case "o":
      stage.querySelector("[data-outlines]").click();
      break;
    default:
      return;
  }
  event.preventDefault();
});
document.addEventListener("keyup", (event) => {
  if (event.key.toLowerCase() !== "h" || !keysWanted(event)) return;
  const hold = document.querySelector("[data-hold]");
  if (hold?.getAttribute("aria-pressed") === "true") hold.click();
});
