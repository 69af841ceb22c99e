// The library's page of one finding: severities under a slider, the healthy twin while held, outlines.

import { keysWanted, onPage, remember, remembered } from "./page.js";

const HOLD_MS = 250;

function setUp(root) {
  const stage = root.querySelector("[data-severities]");
  if (!stage) return;
  outlinesRemembered(root);
  const slider = root.querySelector("[data-slider]");
  if (!slider) return;

  const steps = [...root.querySelectorAll("[data-frame]")];
  const said = root.querySelector("[data-said]");
  const hold = root.querySelector("[data-hold-twin]");
  const caption = stage.querySelector("[data-caption]");
  const first = stage.querySelector("[data-shown]");
  const pictures = new Map([[Number(slider.value), first]]);
  let wanted = Number(slider.value);
  let twin = false;

  /** Fetch and decode a picture once; what is decoded can be shown without a flicker. */
  async function ready(index) {
    if (!pictures.has(index)) {
      const image = first.cloneNode();
      image.removeAttribute("data-shown");
      image.fetchPriority = "low";
      image.hidden = true;
      image.alt = steps[index].dataset.name;
      image.src = `/pictures/${steps[index].dataset.picture}.webp`;
      pictures.set(index, image);
      first.after(image);
    }
    const image = pictures.get(index);
    await image.decode().catch(() => {});
    return image;
  }

  async function show() {
    const index = twin ? 0 : wanted;
    const image = await ready(index);
    // Meanwhile the finger may have moved on.
    if (index !== (twin ? 0 : wanted)) return;
    for (const other of pictures.values()) other.hidden = other !== image;
    for (const group of stage.querySelectorAll("[data-outlines-of]")) {
      group.toggleAttribute("hidden", group.dataset.outlinesOf !== steps[index].dataset.frame);
    }
  }

  /** Say which step is chosen, to the eye and to a screen reader. */
  function say() {
    const { label, measure } = steps[wanted].dataset;
    const [how, much] = said.children;
    how.textContent = label;
    much.textContent = measure;
    slider.setAttribute("aria-valuetext", measure ? `${label}, ${measure}` : label);
  }

  /** A choice made next, and a reload, keep the severity that is on the screen. */
  function keep() {
    const { frame } = steps[wanted].dataset;
    const withSeverity = (from) => {
      const address = new URL(from);
      address.searchParams.set("severity", frame);
      return address.pathname + address.search;
    };
    for (const link of root.querySelectorAll("[data-keeps-severity]")) {
      link.setAttribute("href", withSeverity(link.href));
    }
    history.replaceState(history.state, "", withSeverity(location.href));
  }

  function holdTwin(on) {
    twin = on;
    caption.toggleAttribute("hidden", !on);
    hold.setAttribute("aria-pressed", String(on));
    show();
  }

  slider.addEventListener("input", () => {
    wanted = Number(slider.value);
    say();
    if (twin) holdTwin(false);
    else show();
  });
  slider.addEventListener("change", keep);
  say();

  // Held, it shows while held; tapped (or pressed by key), it stays until tapped again.
  let downAt = 0;
  let pinned = false;
  hold.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    downAt = event.timeStamp;
    hold.setPointerCapture(event.pointerId);
    pinned = twin;
    holdTwin(true);
  });
  for (const end of ["pointerup", "pointercancel"]) {
    hold.addEventListener(end, (event) => {
      const held = event.type === "pointercancel" || event.timeStamp - downAt > HOLD_MS;
      holdTwin(!held && !pinned);
    });
  }
  hold.addEventListener("click", (event) => {
    // A click without a pointer is the keyboard's or a screen reader's.
    if (event.detail === 0) holdTwin(!twin);
  });
  hold.addEventListener("contextmenu", (event) => event.preventDefault());

  // The nearest first: whoever moves the slider moves it by one step.
  const order = steps.map((_, index) => index).sort((a, b) => Math.abs(a - wanted) - Math.abs(b - wanted));
  const fetchAll = async () => {
    for (const index of order) await ready(index);
  };
  if (document.readyState === "complete") fetchAll();
  else addEventListener("load", fetchAll, { once: true });
}

/** Whether outlines are wanted is kept from one eye to the next. */
function outlinesRemembered(root) {
  const box = root.querySelector("[data-show-outlines]");
  box.checked = remembered("library-outlines") === "on";
  box.addEventListener("change", () => remember("library-outlines", box.checked ? "on" : null));
}

onPage(setUp);

// htmx remembers an address as it first saw it; the link itself knows the severity chosen since.
document.addEventListener("htmx:configRequest", (event) => {
  const link = event.detail.elt;
  if (link.matches("[data-keeps-severity]")) event.detail.path = link.getAttribute("href");
});

document.addEventListener("keydown", (event) => {
  const hold = document.querySelector("[data-hold-twin]");
  if (!hold || !keysWanted(event)) return;
  const key = event.key.toLowerCase();
  if (key === "o") document.querySelector("[data-show-outlines]").click();
  else if (key === "h" && !event.repeat && hold.getAttribute("aria-pressed") === "false") hold.click();
  else return;
  event.preventDefault();
});
document.addEventListener("keyup", (event) => {
  if (event.key.toLowerCase() !== "h" || !keysWanted(event)) return;
  const hold = document.querySelector("[data-hold-twin]");
  if (hold?.getAttribute("aria-pressed") === "true") hold.click();
});
