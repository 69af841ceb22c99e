// The pages of the bedside view: the demonstration's examination, and the look of a round.

import { askWhere } from "./bedside_map.js";
import { instrument } from "./instrument.js";
import { onPage } from "./page.js";

/** The demonstration: the instrument is put down, then the questions come. */
async function examination(root, form) {
  const held = await instrument(root, { full: finish });
  function finish() {
    if (root.querySelector("[data-while]").hidden) return;
    held.stop();
    const { path, counted } = held.recorded();
    form.elements.path.value = path;
    form.elements.counted.value = counted;
    root.querySelector("[data-while]").hidden = true;
    root.querySelector("[data-after]").hidden = false;
    root.querySelector("[data-after] h2").focus();
    scrollTo(0, 0);
  }
  if (held) root.querySelector("[data-finish]").addEventListener("click", finish);
}

/** A look of a round: the sheet lies under the view, and the recording goes with the answer. */
async function look(root, form) {
  const desk = root.querySelector("[data-panels]");
  const buttons = desk.querySelectorAll("button[data-panel]");
  function show(name) {
    desk.dataset.panels = name;
    for (const button of buttons) button.setAttribute("aria-pressed", String(button.dataset.panel === name));
  }
  for (const button of buttons) button.addEventListener("click", () => show(button.dataset.panel));
  const held = await instrument(root, { full: () => show("sheet") });
  if (!held) return;
  // While one marks a place from memory nothing is looked at.
  askWhere(root, form, held.rest);
  form.addEventListener("time-wanted", () => {
    const { path, counted } = held.recorded();
    form.elements.path.value = path;
    form.elements.counted.value = counted;
  });
}

onPage((root) => {
  const still = root.querySelector("form.still[data-look]");
  if (still) askWhere(root, still);
  if (!root.querySelector("[data-bedside]")) return;
  const examined = root.querySelector("form[data-examined]");
  if (examined) examination(root, examined);
  else look(root, root.querySelector("form[data-look]"));
});
