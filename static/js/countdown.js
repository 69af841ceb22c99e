// The time for an eye of a checkpoint: shown as it runs down, and when it ends the sheet is handed
// in as it stands. The server keeps the time itself; this only shows it.

import { onPage } from "./page.js";

const SOON = 10;
let ticking = 0;

onPage((root) => {
  clearInterval(ticking);
  const form = root.querySelector("form[data-seconds]");
  const line = form?.querySelector("[data-countdown]");
  if (!line) return;
  const words = line.firstChild;
  const ends = performance.now() + 1000 * Number(form.dataset.seconds);
  const tick = () => {
    const left = Math.max(0, Math.ceil((ends - performance.now()) / 1000));
    words.textContent = `${left} s`;
    line.classList.toggle("soon", left <= SOON);
    if (left > 0) return;
    clearInterval(ticking);
    // An answer that is on its way already is given.
    if (form.inert || !form.isConnected) return;
    // Nothing need be said of certainty any more.
    form.noValidate = true;
    form.requestSubmit();
  };
  ticking = setInterval(tick, 250);
  tick();
});
