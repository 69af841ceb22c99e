// What every page needs: the browser's time zone, focus after a swap, and words when a request fails.

document.documentElement.classList.add("scripted");

const notice = document.getElementById("notice");

const HINT_MS = 4000;
let hintEnds = 0;
let whispers = 0;

/** Say something without leaving the page; an action is {words, run}. */
export function say(text, action) {
  clearTimeout(hintEnds);
  const line = document.createElement("p");
  const words = document.createElement("span");
  words.className = "text";
  words.textContent = text;
  line.append(words);
  if (action) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = action.words;
    button.addEventListener("click", action.run);
    line.append(button);
  }
  notice.replaceChildren(line);
}

/** Say something small that goes by itself and is in nobody's way. */
export function hint(text) {
  say(text);
  notice.firstElementChild.classList.add("hint");
  hintEnds = setTimeout(hush, HINT_MS);
}

/** Say something on a picture, where the eyes are; it goes by itself and takes no touch. */
export function whisper(stage, text) {
  const line = stage.querySelector("[data-whisper]");
  line.textContent = text;
  clearTimeout(whispers);
  whispers = setTimeout(() => (line.textContent = ""), HINT_MS);
}

/** Take the notice away. */
export function hush() {
  clearTimeout(hintEnds);
  notice.replaceChildren();
}

/** Whether single-letter keys are wanted (WCAG 2.1.4: they can be turned off), and not being typed. */
export function keysWanted(event) {
  if (event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return false;
  const target = event.target;
  if (target instanceof HTMLElement && target.closest("select, textarea, input:not([type=checkbox], [type=radio], [type=range])")) return false;
  return remembered("keys") !== "off";
}

/** localStorage that may be missing or full: then the page simply forgets. */
export function remembered(name) {
  try {
    return localStorage.getItem(name);
  } catch {
    return null;
  }
}

export function remember(name, value) {
  try {
    if (value === null) localStorage.removeItem(name);
    else localStorage.setItem(name, value);
    return true;
  } catch {
    return false;
  }
}

/** Call set-up with the page's root, now and whenever htmx has put another one in. */
export function onPage(setUp) {
  const root = document.getElementById("page");
  if (root) setUp(root);
  document.addEventListener("htmx:load", (event) => {
    if (event.detail.elt.id === "page" && event.detail.elt !== root) setUp(event.detail.elt);
  });
}

// A page that Back brings from the browser's memory may have moved on since: ask again.
addEventListener("pageshow", (event) => {
  if (event.persisted) location.reload();
});

/** Copy a field's text, also where the browser gives no clipboard (a page without TLS). */
async function copy(field) {
  field.select();
  try {
    await navigator.clipboard.writeText(field.value);
  } catch {
    document.execCommand("copy");
  }
  hint("Copied");
}

onPage((root) => {
  for (const field of root.querySelectorAll("[data-start] input[name=timezone]")) {
    field.value = Intl.DateTimeFormat().resolvedOptions().timeZone || "UTC";
  }
  for (const button of root.querySelectorAll("[data-copy]")) {
    const field = document.getElementById(button.dataset.copy);
    button.addEventListener("click", () => copy(field));
  }
  for (const box of root.querySelectorAll("[data-keys]")) {
    box.checked = remembered("keys") !== "off";
    box.addEventListener("change", () => remember("keys", box.checked ? null : "off"));
  }
});

// After a swap a screen reader starts at the new page's heading, not at the top of nowhere.
document.addEventListener("htmx:afterSettle", (event) => {
  const page = document.getElementById("page");
  if (event.detail.target?.id !== "page" && event.detail.elt?.id !== "page") return;
  page?.querySelector("[data-focus]")?.focus({ preventScroll: true });
});

document.addEventListener("htmx:beforeSwap", (event) => {
  const { xhr } = event.detail;
  // Our own refusals name where they go; anything else with an error status is no page of ours.
  if (xhr.status >= 400 && xhr.getResponseHeader("HX-Retarget")) event.detail.shouldSwap = true;
});

document.addEventListener("htmx:beforeRequest", (event) => {
  if (event.detail.requestConfig.headers["HX-Preloaded"] !== "true") hush();
});

// Fetching the next eye failed: offer it again. Answers are the outbox's business.
for (const failure of ["htmx:sendError", "htmx:timeout"]) {
  document.addEventListener(failure, (event) => {
    const source = event.detail.requestConfig.elt;
    if (source.matches("form[data-look]")) return;
    say("No connection. Nothing is lost; try again when it is back.", {
      words: "Try again",
      run: () => (source.isConnected && source.href ? source.click() : location.reload()),
    });
  });
}

document.addEventListener("htmx:responseError", (event) => {
  const { xhr, requestConfig } = event.detail;
  if (requestConfig.elt.matches("form[data-look]") || xhr.getResponseHeader("HX-Retarget")) return;
  say("The server is not answering properly just now.", { words: "Reload", run: () => location.reload() });
});
