// An answer is kept on the device, with its id, before it is sent, and until the server has it.
// Whatever happens on the way (no line, reload, a dead battery), the same answer is sent again,
// and its id lets the server count it once.

import { hush, onPage, remember, remembered, say } from "./page.js";

const PREFIX = "answer:";
const FIRST_WAIT_MS = 2000;
const LONGEST_WAIT_MS = 30000;
const memory = new Map(); // Where storage is refused, an answer lives as long as the page.

const drop = (look) => {
  memory.delete(look);
  remember(PREFIX + look, null);
};

function keep(look, entry) {
  memory.set(look, entry);
  return remember(PREFIX + look, JSON.stringify(entry));
}

function kept(look) {
  try {
    return JSON.parse(remembered(PREFIX + look)) ?? memory.get(look) ?? null;
  } catch {
    return memory.get(look) ?? null;
  }
}

function allKept() {
  const looks = new Set(memory.keys());
  try {
    for (const name of Object.keys(localStorage)) if (name.startsWith(PREFIX)) looks.add(name.slice(PREFIX.length));
  } catch {
    // No storage: only this page's own.
  }
  return [...looks];
}

/** A random UUID; crypto.randomUUID itself is missing on plain http addresses. */
function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

let wait = FIRST_WAIT_MS;
let timer = 0;
let sending = false;

/** Send every kept answer; a look that is on the screen is then shown with its feedback. */
async function flush() {
  clearTimeout(timer);
  if (sending) return;
  sending = true;
  try {
    for (const look of allKept()) await send(look);
  } finally {
    sending = false;
  }
}

function later() {
  clearTimeout(timer);
  timer = setTimeout(flush, wait);
  wait = Math.min(wait * 2, LONGEST_WAIT_MS);
}

async function send(look) {
  const entry = kept(look);
  if (!entry) return drop(look);
  const here = document.querySelector(`form[data-look="${CSS.escape(look)}"]`);
  let response;
  try {
    response = await fetch(entry.address ?? `/looks/${look}/answer`, {
      method: "POST",
      headers: { Accept: "application/json", "Content-Type": "application/x-www-form-urlencoded" },
      body: entry.body,
      signal: AbortSignal.timeout?.(15000),
    });
  } catch {
    if (here) waiting();
    return later();
  }
  if (response.ok) {
    drop(look);
    wait = FIRST_WAIT_MS;
    if (here) location.reload();
    return;
  }
  const problem = await response.json().catch(() => ({}));
  refused(look, response.status, problem.error, here);
}

/** The server has spoken: some answers can never be taken, others only not now. */
function refused(look, status, words, here) {
  if (status === 401) {
    if (here) say(`${words ?? "You are signed out."} Your answer is kept on this device.`, { words: "First page", run: () => location.assign("/") });
  } else if (status >= 500 || status === 429) {
    if (here) waiting(words);
    later();
  } else {
    // 404: not this learner's look; 409: the eye has moved on; 422: not an answer.
    drop(look);
    if (here) say(words ?? "This answer could not be taken.", { words: "Go on", run: () => location.assign(here.dataset.onward ?? "/") });
  }
}

function waiting(words) {
  say(words ? `${words} Your answer is kept and will be sent again.` : "No connection. Your answer is kept on this device and goes out when the line is back.", {
    words: "Send now",
    run: () => {
      wait = FIRST_WAIT_MS;
      flush();
    },
  });
}

document.addEventListener("htmx:configRequest", (event) => {
  const form = event.detail.elt;
  if (!form.matches("form[data-look]")) return;
  form.elements.answer_id.value = newId();
  form.dispatchEvent(new CustomEvent("time-wanted"));
  const body = new URLSearchParams(new FormData(form));
  for (const { name } of form.querySelectorAll("input[type=hidden]")) event.detail.parameters[name] = body.get(name);
  keep(form.dataset.look, { body: body.toString(), address: form.getAttribute("action") });
  // From here on the answer is given: it must not differ from the one that may have arrived.
  form.inert = true;
});

document.addEventListener("htmx:afterRequest", (event) => {
  // After a swap the event comes from elsewhere; the request still knows its form.
  const form = event.detail.requestConfig.elt;
  if (!form.matches("form[data-look]")) return;
  const { look } = form.dataset;
  const { status } = event.detail.xhr;
  if (status >= 200 && status < 400) {
    drop(look);
    hush();
  } else if (status === 0) {
    waiting();
    later();
  } else if (status >= 400) {
    // The server's own words are in the notice already, when it had any.
    const spoken = document.getElementById("notice").textContent.trim();
    refused(look, status, spoken || undefined, form);
    if (status === 422) form.inert = false;
  }
});

addEventListener("online", flush);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && allKept().length) flush();
});
onPage((root) => {
  const form = root.querySelector("form[data-look]");
  // Reloaded with an answer on its way: it is given, so the sheet stays closed.
  if (form && kept(form.dataset.look)) form.inert = true;
});
if (allKept().length) flush();
