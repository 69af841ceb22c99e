// Coming in from an arm's length, the red reflex in view, until the fundus fills the pupil.

import { unrun } from "./coverage.js";
import { reflexView } from "./reflex_view.js";

const STEPS = 4;
const GLIDE_MS = 320;
const SHOWS_FROM = 0.6;

const calm = matchMedia("(prefers-reduced-motion: reduce)");

/**
 * Set the first step up; null where it cannot be drawn, and the fundus is shown at once.
 * `changed` asks for a frame; `arrived` is told once, when the fundus is in view.
 */
export function approach(root, canvas, eye, { changed, arrived }) {
  const box = root.querySelector("[data-approach]");
  const slider = box.querySelector("[data-near]");
  const stand = box.querySelector("[data-aside]");
  const lay = reflexView(canvas, { ...eye.reflex, light: unrun(eye.reflex.light) }, eye.nearest);
  if (!lay) return null;
  let near = 0;
  let aside = 0;
  let glide = null;
  let on = true;
  box.hidden = false;

  function arrive() {
    if (!on) return;
    on = false;
    const within = box.contains(document.activeElement);
    box.hidden = true;
    // What had the focus is gone; the view is what one goes on with.
    if (within) canvas.focus({ preventScroll: true });
    arrived();
  }

  function told() {
    slider.value = String(Math.round(100 * near));
    const left = Math.round(40 * (1 - near));
    slider.setAttribute("aria-valuetext", left > 2 ? `${left} centimetres away` : "before the eye");
  }

  /** Stand to the side, mm to the right; what moves in the pupil then tells how deep it lies. */
  function beside(wanted) {
    if (!on) return;
    aside = Math.min(Math.max(wanted, -eye.reflex.aside), eye.reflex.aside);
    stand.value = String(Math.round(aside));
    const far = Math.round(Math.abs(aside) / 10);
    stand.setAttribute("aria-valuetext", far ? `${far} centimetres to the ${aside > 0 ? "right" : "left"}` : "straight before it");
    changed();
  }

  /** Go to a nearness, 0 to 1, at once or in a short glide. */
  function to(wanted, glides = false) {
    if (!on) return;
    const aim = Math.min(Math.max(wanted, 0), 1);
    if (glides && !calm.matches) glide = { from: near, to: aim, start: performance.now() };
    else [glide, near] = [null, aim];
    told();
    changed();
  }

  const step = (by) => to((glide ? glide.to : near) + by / STEPS, true);
  slider.addEventListener("input", () => to(slider.valueAsNumber / 100));
  stand.addEventListener("input", () => beside(stand.valueAsNumber));
  box.querySelector("[data-closer]").addEventListener("click", () => step(1));
  box.querySelector("[data-straight]").addEventListener("click", () => {
    [glide, near] = [null, 1];
    changed();
    arrive();
  });
  told();
  beside(0);

  return {
    /** Whether it goes on. */
    get on() {
      return on;
    },
    step,
    to,
    beside,
    get aside() {
      return aside;
    },
    get near() {
      return near;
    },
    /** Draw one frame over the fundus, which `under` draws once it shows; true while it glides. */
    frame(now, under) {
      if (glide) {
        const t = Math.min(Math.max(now - glide.start, 0) / GLIDE_MS, 1);
        near = glide.from + t * t * (3 - 2 * t) * (glide.to - glide.from);
        if (t === 1) [glide, near] = [null, glide.to];
        told();
      }
      if (near > SHOWS_FROM) under();
      if (near < 1) lay(near, aside);
      else arrive();
      return glide !== null;
    },
  };
}
