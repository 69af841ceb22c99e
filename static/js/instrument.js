// The instrument at the bedside: moving the small field, the dial, the apertures, the recording.

import { approach } from "./approach.js";
import { cover, unrun } from "./coverage.js";
import { lensView } from "./lens_view.js";
import { keysWanted, say, whisper } from "./page.js";
import { patient } from "./patient.js";
import { Recording } from "./recording.js";
import { tilting } from "./tilt.js";

const STEP_DEG = 1;
const ASIDE_MM = 15;
const LOOK_DEG = 12;
const GLIDE_MS = 280;
const REACH_DEG = 26;
const SLOW_MS = 26;
const COARSEST = 0.4;
const STILL_MS = 350;

const calm = matchMedia("(prefers-reduced-motion: reduce)");

/** Set the instrument up on a page; what is given is told when the recording can take no more. */
export async function instrument(root, { full, shown }) {
  const stage = root.querySelector("[data-bedside]");
  const eye = JSON.parse(stage.dataset.bedside);
  eye.needs = unrun(eye.needs);
  const canvas = stage.querySelector("canvas");
  const picture = stage.querySelector("img");
  const dial = root.querySelector("[data-dial]");
  const reading = root.querySelector("[data-reading]");
  try {
    await picture.decode();
  } catch {
    say("The picture did not arrive.", { words: "Reload", run: () => location.reload() });
    return null;
  }
  const draw = lensView(canvas, picture, eye);
  if (!draw) {
    stage.classList.add("unable");
    say("This browser cannot show the moving view.", {
      words: "Use the still fields",
      run: () => location.assign(stage.dataset.fields),
    });
    return null;
  }

  const state = { x: eye.begins[0], y: eye.begins[1], lens: 0, aperture: 0 };
  const recording = new Recording();
  let running = true;
  let waiting = false;
  let glide = null;
  let side = 64;
  let coarse = 1;
  let pace = 16;
  let asked = 0;
  let stillAt = 0;
  let restsFrom = null;

  const before = patient(root, state, {
    looksAway: (x, y) => move(x, y, true),
    tell: (words) => whisper(stage, words),
    changed,
  });
  const fundus = () => draw(state, eye.apertures[state.aperture], before.lid());
  /** What hangs before the pupil, or what one does meanwhile, is not looked at. */
  const looking = () => restsFrom === null && !before.covered;
  const coming = approach(root, canvas, eye, {
    changed,
    arrived() {
      whisper(stage, "Follow a vessel to its wider end: the disc");
      tilt.settle();
      changed();
    },
  });
  const tilt = tilting(root, { changed, tell: (words) => whisper(stage, words) });

  const whole = () => [
    Math.round(100 * state.x),
    Math.round(100 * state.y),
    state.aperture,
    100 * state.lens,
    Math.round(100 * eye.pupil),
  ];

  /** Keep up with the finger on a slow phone: fewer pixels while it moves, all when it rests. */
  function paced(now) {
    // From asking for a frame to getting it: a graphics processor that is behind keeps one waiting.
    pace += 0.25 * (Math.max(now - asked, 0) - pace);
    if (pace > SLOW_MS && coarse > COARSEST) [coarse, pace] = [Math.max(0.8 * coarse, COARSEST), 16];
    sized(coarse);
    clearTimeout(stillAt);
    if (coarse < 1) stillAt = setTimeout(sharpen, STILL_MS);
  }

  function sharpen() {
    if (!running) return;
    sized(1);
    if (coming?.on) coming.frame(performance.now(), fundus);
    else fundus();
  }

  function sized(share) {
    const pixels = Math.max(Math.round(share * side), 64);
    if (canvas.width !== pixels) canvas.width = canvas.height = pixels;
  }

  function frame(now) {
    waiting = false;
    if (!running) return;
    paced(now);
    if (coming?.on) {
      // Nothing is recorded before the fundus is in view.
      if (coming.frame(now, fundus)) changed();
      return;
    }
    if (glide) {
      const t = Math.min((now - glide.start) / GLIDE_MS, 1);
      const eased = t * t * (3 - 2 * t);
      state.x = glide.from[0] + eased * (glide.to[0] - glide.from[0]);
      state.y = glide.from[1] + eased * (glide.to[1] - glide.from[1]);
      if (t === 1) glide = null;
    }
    const way = tilt.step(now);
    // A finger on the view, or the patient's own gaze, goes before the phone's tilt.
    const tilts = way && !held && !glide && restsFrom === null;
    if (tilts) [state.x, state.y] = within(state.x + way[0], state.y + way[1]);
    fundus();
    canvas.dataset.at = `${state.x.toFixed(2)} ${state.y.toFixed(2)}`;
    if (looking()) recording.note(whole(), now);
    if (glide || tilts) changed();
    if (recording.full) full?.();
  }

  /** Something moved: one more frame, and none while nothing does. */
  function changed() {
    if (waiting || !running) return;
    waiting = true;
    asked = performance.now();
    requestAnimationFrame(frame);
  }

  function within(x, y) {
    const [cx, cy] = eye.centre;
    const away = Math.hypot(x - cx, y - cy);
    const keep = away > REACH_DEG ? REACH_DEG / away : 1;
    return [cx + keep * (x - cx), cy + keep * (y - cy)];
  }

  function move(x, y, glides = false) {
    const to = within(x, y);
    if (glides && !calm.matches) glide = { from: [state.x, state.y], to, start: performance.now() };
    else [glide, state.x, state.y] = [null, ...to];
    changed();
  }

  function dialled() {
    state.lens = eye.wheel[dial.valueAsNumber];
    const words = state.lens > 0 ? `+${state.lens}` : String(state.lens).replace("-", "−");
    reading.textContent = `${words} D`;
    dial.setAttribute("aria-valuetext", `${words} dioptres`);
    changed();
  }

  function resized() {
    side = Math.min(Math.round(canvas.clientWidth * Math.min(devicePixelRatio || 1, 2)), 1000);
    changed();
  }
  new ResizeObserver(resized).observe(canvas);

  // The fundus is dragged about under the field, as a page is under a lens.
  let held = null;
  canvas.addEventListener("pointerdown", (event) => {
    if (event.button > 0 || !event.isPrimary) return;
    held = { id: event.pointerId, x: event.clientX, y: event.clientY, from: [state.x, state.y], came: coming?.on ? [coming.near, coming.aside] : null };
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!held || event.pointerId !== held.id) return;
    if (held.came) {
      // What is left of the way of the finger that came in moves nothing.
      if (!coming.on) return;
      coming.beside(held.came[1] + (2 * eye.reflex.aside * (event.clientX - held.x)) / canvas.clientWidth);
      coming.to(held.came[0] + (held.y - event.clientY) / canvas.clientHeight);
      return;
    }
    const perPixel = (2 * eye.half) / canvas.clientWidth;
    move(held.from[0] - (event.clientX - held.x) * perPixel, held.from[1] - (event.clientY - held.y) * perPixel);
  });
  for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, () => (held = null));
  canvas.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      if (coming?.on) coming.to(coming.near + (event.deltaY < 0 ? 0.1 : -0.1));
      else turn(event.deltaY < 0 ? 1 : -1);
    },
    { passive: false },
  );

  let came = false;
  const arrows = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };
  canvas.addEventListener("keydown", (event) => {
    const way = arrows[event.key];
    if (!way || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    if (coming?.on) {
      if (way[0]) coming.beside(coming.aside + ASIDE_MM * way[0]);
      else coming.step(-way[1]);
      came = true;
      return;
    }
    // A key that is still held down has brought one here; it does not lead on.
    if (came && event.repeat) return;
    came = false;
    const far = event.shiftKey ? 4 * STEP_DEG : STEP_DEG;
    move(state.x + far * way[0], state.y + far * way[1]);
  });

  function turn(by) {
    const to = dial.valueAsNumber + by;
    if (to < Number(dial.min) || to > Number(dial.max)) return;
    dial.value = String(to);
    dialled();
  }
  dial.addEventListener("input", dialled);
  for (const button of root.querySelectorAll("[data-turn]")) {
    button.addEventListener("click", () => turn(Number(button.dataset.turn)));
  }
  for (const stop of root.querySelectorAll("input[name=aperture]")) {
    stop.addEventListener("change", () => {
      state.aperture = Number(stop.value);
      changed();
    });
  }
  for (const button of root.querySelectorAll("[data-gaze]")) {
    button.addEventListener("click", () => {
      const [dx, dy] = JSON.parse(button.dataset.gaze) ?? [];
      if (dx === undefined) move(0, 0, true);
      else move(state.x + LOOK_DEG * dx, state.y + LOOK_DEG * dy, true);
    });
  }
  document.addEventListener("keydown", (event) => {
    if (!running || coming?.on || !stage.isConnected || !keysWanted(event)) return;
    if (event.key === "+" || event.key === "=") turn(1);
    else if (event.key === "-") turn(-1);
  });

  // While the page is looked at, say so now and then: time counts only when it does.
  const heart = setInterval(() => {
    if (!stage.isConnected) stop();
    else if (running && restsFrom === null && !document.hidden && !coming?.on) {
      const now = performance.now();
      before.feel(now);
      if (looking()) recording.note(whole(), now);
    }
  }, 100);

  function stop() {
    running = false;
    clearInterval(heart);
    tilt.stop();
  }

  /** Take the instrument from the eye for a while, or bring it back: nothing is recorded meanwhile. */
  function rest(on) {
    restsFrom = on ? performance.now() : null;
  }

  /** The recording as it is now, and how much of the fundus it covers. */
  function recorded() {
    if (coming?.on) return { path: "", counted: "" };
    const rows = recording.ended(whole(), restsFrom ?? performance.now());
    return { path: recording.encode(rows), counted: cover(rows, eye, eye.needs, eye.setting).seen };
  }

  dialled();
  resized();
  stage.classList.add("ready");
  shown?.();
  return { recorded, rest, stop };
}
