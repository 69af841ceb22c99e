// The answer sheet: time spent looking, the marked place, and the keys.

import { hint, hush, keysWanted, onPage } from "./page.js";

const CENTRE = 500;

/** Count the time since the picture was there, and how much of it the page was hidden. */
function clockFor(form) {
  const key = `time:${form.dataset.look}`;
  let shown = null;
  let hiddenSince = null;
  let hidden = 0;
  let earlier = { total: 0, hidden: 0 };
  try {
    earlier = JSON.parse(sessionStorage.getItem(key)) ?? earlier;
  } catch {
    // No storage: a reloaded page then counts from its own beginning.
  }

  const clock = {
    start() {
      if (shown !== null) return;
      shown = performance.now();
      if (document.hidden) hiddenSince = shown;
    },
    read() {
      const now = performance.now();
      const away = hidden + (hiddenSince === null ? 0 : now - hiddenSince);
      const total = Math.round(earlier.total + (shown === null ? 0 : now - shown));
      return { total, hidden: Math.min(total, Math.round(earlier.hidden + away)) };
    },
    keep() {
      try {
        sessionStorage.setItem(key, JSON.stringify(clock.read()));
      } catch {
        // As above.
      }
    },
    turn() {
      if (shown === null) return;
      if (document.hidden) {
        hiddenSince = performance.now();
        clock.keep();
      } else if (hiddenSince !== null) {
        hidden += performance.now() - hiddenSince;
        hiddenSince = null;
      }
    },
  };
  return clock;
}

let clock = null;
document.addEventListener("visibilitychange", () => clock?.turn());
addEventListener("pagehide", () => clock?.keep());

function setUpTime(form) {
  clock = clockFor(form);
  const mine = clock;
  const picture = form.querySelector("img.eye, [data-bedside] img");
  const begin = () => {
    mine.start();
    // The line is free now: fetch what is likely to be shown next.
    for (const address of (form.querySelector("[data-next]")?.dataset.next ?? "").split(" ").filter(Boolean)) {
      new Image().src = address;
    }
  };
  if (!picture || picture.complete) begin();
  else picture.addEventListener("load", begin, { once: true });
  form.addEventListener("time-wanted", () => {
    const { total, hidden } = mine.read();
    form.elements.response_ms.value = total;
    form.elements.hidden_ms.value = hidden;
  });
}

function setUpPlace(form) {
  const stage = form.querySelector("[data-stage]");
  const pin = form.querySelector("[data-pin]");
  const button = form.querySelector("[data-place]");
  const use = button.querySelector("use");
  const icons = use.getAttribute("href").split("#")[0];
  let place = null;
  let before = null;

  function mark(next) {
    before = place;
    place = next && { x: Math.round(Math.min(1000, Math.max(0, next.x))), y: Math.round(Math.min(1000, Math.max(0, next.y))) };
    form.elements.point_x.value = place?.x ?? "";
    form.elements.point_y.value = place?.y ?? "";
    pin.toggleAttribute("hidden", !place);
    if (place) pin.setAttribute("transform", `translate(${place.x} ${place.y})`);
    button.setAttribute("aria-pressed", String(Boolean(place)));
    use.setAttribute("href", `${icons}#${place ? "unplace" : "place"}`);
    button.querySelector("svg").setAttribute("aria-label", place ? "Remove the mark" : "Mark the place");
  }

  function tell() {
    if (place) hint(`Mark at ${Math.round(place.x / 10)} percent across, ${Math.round(place.y / 10)} percent down.`);
  }

  stage.addEventListener("tap", ({ detail }) => {
    if (form.inert) return;
    const onMark = place && Math.hypot(detail.x - place.x, detail.y - place.y) < 45;
    mark(onMark ? null : detail);
  });
  // The first tap of a double tap placed a mark that was not meant.
  stage.addEventListener("double", () => mark(before));
  button.addEventListener("click", () => mark(place ? null : { x: CENTRE, y: CENTRE }));
  button.addEventListener("keydown", (event) => {
    const step = event.shiftKey ? 5 : 30;
    const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (move) {
      event.preventDefault();
      const from = place ?? { x: CENTRE, y: CENTRE };
      mark({ x: from.x + move[0], y: from.y + move[1] });
    } else if (event.key === "Delete" || event.key === "Backspace") {
      mark(null);
    }
  });
  button.addEventListener("keyup", (event) => {
    if (event.key.startsWith("Arrow")) tell();
  });
}

/** A tap on a word chooses that word; elsewhere on its row it turns the judgement over. */
function setUpWords(form) {
  form.addEventListener("click", (event) => {
    const box = event.target;
    // A click without a position is the keyboard's or a screen reader's.
    if (box.name !== "present" || event.detail === 0) return;
    const words = box.closest(".row").querySelector(".words").getBoundingClientRect();
    const inside = event.clientX >= words.left && event.clientX <= words.right && event.clientY >= words.top - 6;
    if (!inside) return;
    const wanted = event.clientX > box.closest(".row").querySelector(".yes").getBoundingClientRect().left;
    // The box has turned already; refusing the click turns it back.
    if (box.checked !== wanted) event.preventDefault();
  });
}

function setUpCertainty(form) {
  const box = form.querySelector(".certainty");
  form.addEventListener("invalid", (event) => {
    if (event.target.name !== "certainty") return;
    event.preventDefault();
    box.classList.add("asked");
    hint("Say how sure you are, then commit.");
  }, true);
  form.addEventListener("change", (event) => {
    if (event.target.name !== "certainty" || !box.classList.contains("asked")) return;
    box.classList.remove("asked");
    hush();
  });
}

onPage((root) => {
  const form = root.querySelector("form[data-look]");
  clock = null;
  if (!form) return;
  setUpTime(form);
  if (form.querySelector("[data-place]")) setUpPlace(form);
  setUpWords(form);
  setUpCertainty(form);
});

document.addEventListener("keydown", (event) => {
  const form = document.querySelector("form[data-look]");
  if (!form || form.inert || !keysWanted(event)) return;
  const key = event.key.toLowerCase();
  const field = form.querySelector(`input[data-key="${CSS.escape(key)}"]`);
  if (field) {
    field.click();
    field.focus({ preventScroll: true });
  } else if (key === "p" && form.querySelector("[data-place]")) {
    const button = form.querySelector("[data-place]");
    if (button.getAttribute("aria-pressed") === "false") button.click();
    button.focus({ preventScroll: true });
  } else if (key === "enter" && (event.target === document.body || event.target.matches("h1"))) {
    form.requestSubmit();
  } else {
    return;
  }
  event.preventDefault();
});
