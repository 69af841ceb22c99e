// Moving the field by tilting the phone, for those who turn it on: held as it was then, the field
// rests; tilted from there it moves towards the lower edge, the faster the further.
// Angles and speeds are our own judgement.

import { remember, remembered } from "./page.js";

const KEPT = "bedside.tilt";
const REST_DEG = 4;
const FASTEST_DEG = 20;
const DEG_PER_S = 14;
const SMOOTH_MS = 120;
const STEP_MS = 250;
const SILENT_MS = 1500;
// On its side a phone's lift cannot be told from its turn.
const TOLD_FROM = 0.3;

const calm = matchMedia("(prefers-reduced-motion: reduce)");
const degrees = (radians) => (180 / Math.PI) * radians;

/** How the screen is held: how far its right edge hangs and its upper edge is lifted, in degrees. */
export function held({ beta, gamma }, turned) {
  const [b, g, t] = [beta, gamma, turned].map((angle) => (Math.PI / 180) * angle);
  // Up, as the device has it (W3C Device Orientation: turns about z, then x, then y).
  const [x, y, z] = [-Math.cos(b) * Math.sin(g), Math.sin(b), Math.cos(b) * Math.cos(g)];
  const [right, top] = [x * Math.cos(t) - y * Math.sin(t), x * Math.sin(t) + y * Math.cos(t)];
  const lifted = Math.hypot(top, z) < TOLD_FROM ? null : degrees(Math.atan2(top, z));
  return [-degrees(Math.asin(Math.min(Math.max(right, -1), 1))), lifted];
}

/** How fast the field moves for a tilt, degrees a second to the right and down. */
export function speed(across, lifted) {
  const tilt = Math.hypot(across, lifted);
  if (tilt <= REST_DEG) return [0, 0];
  const share = Math.min((tilt - REST_DEG) / (FASTEST_DEG - REST_DEG), 1);
  return [(DEG_PER_S * share * across) / tilt, (DEG_PER_S * share * lifted) / tilt];
}

/** Set the switch up; `changed` asks for a frame, `tell` says something beside the view. */
export function tilting(root, { changed, tell }) {
  const box = root.querySelector("[data-tilts]");
  const button = box.querySelector("[data-tilt]");
  const level = box.querySelector("[data-level]");
  let on = false;
  let rest = null;
  let latest = null;
  // Where the hand is, from rest, and how far the field has followed its trembling.
  let aim = [0, 0];
  let tilt = [0, 0];
  let idle = true;
  let moved = 0;
  let silent = 0;

  /** As it is held now, the field rests. */
  function settle() {
    rest = latest;
    aim = tilt = [0, 0];
  }

  function forget() {
    latest = null;
    settle();
  }

  function tilted(event) {
    if (!root.isConnected) stop();
    if (!on || event.beta === null || event.gamma === null) return;
    clearTimeout(silent);
    level.hidden = false;
    const [across, lifted] = (latest = held(event, screen.orientation?.angle ?? 0));
    if (!rest || (rest[1] === null && lifted !== null)) rest = latest;
    const up = lifted === null || rest[1] === null ? 0 : ((lifted - rest[1] + 540) % 360) - 180;
    aim = [across - rest[0], up];
    if (!idle || !speed(...aim).some(Boolean)) return;
    idle = false;
    moved = performance.now();
    changed();
  }

  function stop() {
    on = false;
    clearTimeout(silent);
    removeEventListener("deviceorientation", tilted);
    button.setAttribute("aria-pressed", "false");
    level.hidden = true;
  }

  /** Turn it on, where the phone and whoever holds it allow. */
  async function start(asked) {
    try {
      // Some phones let a page know only once it was asked for by a tap, and then permitted.
      const answer = (await DeviceOrientationEvent.requestPermission?.()) ?? "granted";
      if (answer !== "granted") throw new Error(answer);
    } catch {
      if (asked) {
        remember(KEPT, null);
        tell("This phone does not let the page know how it is held: allow it in the browser's settings");
      } else root.addEventListener("click", (event) => box.contains(event.target) || start(true), { once: true });
      return;
    }
    if (on) return;
    on = true;
    forget();
    addEventListener("deviceorientation", tilted);
    button.setAttribute("aria-pressed", "true");
    if (asked) tell("Hold it as it is to rest; tilt it to move");
    silent = setTimeout(() => {
      stop();
      remember(KEPT, null);
      tell("This device does not tell how it is held");
    }, SILENT_MS);
  }

  if (!("DeviceOrientationEvent" in window) || !matchMedia("(any-pointer: coarse)").matches) {
    return { step: () => null, settle, stop };
  }
  box.hidden = false;
  button.addEventListener("click", () => {
    remember(KEPT, on ? null : "on");
    if (on) stop();
    else start(true);
  });
  level.addEventListener("click", () => {
    settle();
    tell("Level as it is held now");
  });
  screen.orientation?.addEventListener("change", forget);
  document.addEventListener("visibilitychange", forget);
  // Whoever asks for less motion turns it on by hand, each time.
  if (remembered(KEPT) === "on" && !calm.matches) start(false);

  return {
    settle,
    stop,
    /** How far the field moves by now, degrees to the right and down; null while it rests. */
    step(now) {
      if (!on || idle) return null;
      const since = Math.max(now - moved, 0);
      // With less motion the field stands and goes on in steps instead of gliding.
      if (calm.matches && since < STEP_MS) return [0, 0];
      moved = now;
      const share = 1 - Math.exp(-since / SMOOTH_MS);
      tilt = tilt.map((value, k) => value + share * (aim[k] - value));
      const way = speed(...tilt);
      idle = !way.some(Boolean) && !speed(...aim).some(Boolean);
      return idle ? null : way.map((each) => (each * Math.min(since, STEP_MS)) / 1000);
    },
  };
}
