// What the patient does: bears the light in the macula only briefly, and lets the upper lid
// follow the gaze down. Figures are our own judgement; there is no source for them.

const DAZZLED_DEG = 3;
const BEARS_MS = 4000;
const RECOVERS = 2;
// Of the large, small, slit and red-free aperture, beside the large one.
const LIGHT = [1, 0.5, 0.4, 0.5];
const AWAY_DEG = 8;
const LID_FROM_DEG = 13;
const LID_SHUT_DEG = 16;

/** A patient before the instrument; `state` is where the field is and how the instrument is set. */
export function patient(root, state, { looksAway, tell, changed }) {
  const lift = root.querySelector("[data-lid]");
  let borne = 0;
  let felt = performance.now();
  let elsewhere = [state.x, state.y];
  let hinted = false;

  lift.addEventListener("click", () => {
    lift.setAttribute("aria-pressed", String(lift.getAttribute("aria-pressed") === "false"));
    changed();
  });

  /** How far the upper lid has come down before the pupil, 0 to 1. */
  function lid() {
    if (lift.getAttribute("aria-pressed") === "true") return 0;
    return Math.min(Math.max((state.y - LID_FROM_DEG) / (LID_SHUT_DEG - LID_FROM_DEG), 0), 1);
  }

  return {
    lid,
    /** Whether nothing can be seen for it. */
    get covered() {
      return lid() > 0.5;
    },
    /** A moment passes with the light where it is. */
    feel(now) {
      const passed = Math.min(now - felt, 500);
      felt = now;
      const away = Math.hypot(state.x, state.y);
      if (away > AWAY_DEG) elsewhere = [state.x, state.y];
      borne = Math.max(borne + passed * (away < DAZZLED_DEG ? LIGHT[state.aperture] : -RECOVERS), 0);
      if (borne > BEARS_MS) {
        looksAway(...elsewhere);
        tell("It dazzles: the patient looks away for a moment");
      }
      if (lid() > 0.5 && !hinted) tell("The upper lid hangs before the pupil: lift it");
      hinted = lid() > 0.5;
    },
  };
}
