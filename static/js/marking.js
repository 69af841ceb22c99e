// Marking a photograph by finger, mouse or keys. What is drawn is what the lines of the field say:
// the field is the only memory, so that it can be typed in, sent without a script, and undone.

import { onPage } from "./page.js";

const FOVEA = "fovea";
const ONE = ["disc", FOVEA];
const SLIP_PX = 6;
const TRACE_STEP = 9;
const CLOSE_BY = 22;
const SVG = "http://www.w3.org/2000/svg";

function read(text) {
  return text
    .split("\n")
    .map((line) => line.trim().split(/\s+/))
    .filter(([kind, ...points]) => kind && points.length)
    .map(([kind, ...points]) => ({ kind, points: points.map((at) => at.split(",").map(Number)) }))
    .filter(({ points }) => points.every(([x, y]) => Number.isFinite(x) && Number.isFinite(y)));
}

function write(shapes) {
  return shapes.map(({ kind, points }) => `${kind} ${points.map(([x, y]) => `${x},${y}`).join(" ")}`).join("\n");
}

function drawn(name, attributes) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  return node;
}

function setUpMarking(form) {
  const surface = form.querySelector("[data-surface]");
  const layer = form.querySelector("[data-drawn]");
  const field = form.elements.marks;
  const tell = form.querySelector("[data-tell]");
  let open = [];
  let cross = null;
  let past = [];
  form.querySelector("[data-numbers]").open = false;

  const kind = () => form.querySelector('input[name="kind"]:checked').value;
  const keep = () => past.push({ text: field.value, open: [...open] });

  function draw() {
    const shapes = read(field.value);
    layer.replaceChildren();
    for (const { kind: what, points } of shapes) {
      const mine = what === kind() ? " mine" : "";
      if (what === FOVEA) {
        layer.append(drawn("path", { class: `place${mine}`, d: `M${points[0][0] - 24} ${points[0][1]}h48m-24-24v48` }));
      } else {
        layer.append(drawn("polygon", { class: `under${mine}`, points: points.join(" ") }));
        layer.append(drawn("polygon", { class: `ring ${ONE.includes(what) ? "landmark" : "found"}${mine}`, points: points.join(" ") }));
      }
    }
    if (open.length) {
      layer.append(drawn("polyline", { class: "under", points: open.join(" ") }));
      layer.append(drawn("polyline", { class: "ring begun", points: open.join(" ") }));
      for (const [x, y] of open.length > 40 ? open.slice(0, 1) : open) layer.append(drawn("circle", { class: "point", cx: x, cy: y, r: 6 }));
    }
    if (cross) layer.append(drawn("path", { class: "cross", d: `M${cross[0] - 30} ${cross[1]}h60m-30-30v60` }));
    for (const count of form.querySelectorAll("[data-count]")) {
      const number = shapes.filter((shape) => shape.kind === count.dataset.count).length;
      count.textContent = number ? (number === 1 ? "marked" : `${number} outlines`) : "";
    }
  }

  function say(words) {
    tell.textContent = words;
  }

  function put(points) {
    const what = kind();
    const others = read(field.value).filter((shape) => !ONE.includes(what) || shape.kind !== what);
    field.value = write([...others, { kind: what, points }]);
    open = [];
  }

  function close() {
    if (open.length < 3) return say("An outline needs three points at least.");
    keep();
    put(open);
    say("Closed.");
    draw();
  }

  function point(at) {
    if (kind() === FOVEA) {
      keep();
      put([at]);
      say("Fovea marked.");
    } else if (open.length > 2 && Math.hypot(at[0] - open[0][0], at[1] - open[0][1]) < CLOSE_BY) {
      return close();
    } else {
      keep();
      open = [...open, at];
      say(`${open.length} ${open.length === 1 ? "point" : "points"}. ${open.length > 2 ? "Close the outline, or go on." : ""}`);
    }
    draw();
  }

  function undo() {
    const before = past.pop();
    if (!before) return say("Nothing to take back.");
    field.value = before.text;
    open = before.open;
    say("Taken back.");
    draw();
  }

  function clear() {
    keep();
    const what = kind();
    field.value = write(read(field.value).filter((shape) => shape.kind !== what));
    open = [];
    say("Cleared.");
    draw();
  }

  function place(event) {
    const box = surface.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top].map((value) => Math.min(1000, Math.max(0, Math.round((value * 1000) / box.width))));
  }

  // A tap sets a point; a drag traces an outline, closed where the finger lifts.
  let trace = null;
  surface.addEventListener("pointerdown", (event) => {
    if (event.button > 0 || !event.isPrimary) return;
    surface.setPointerCapture(event.pointerId);
    trace = { from: [event.clientX, event.clientY], points: [place(event)], moved: false };
  });
  surface.addEventListener("pointermove", (event) => {
    if (!trace || !event.isPrimary) return;
    if (!trace.moved && Math.hypot(event.clientX - trace.from[0], event.clientY - trace.from[1]) < SLIP_PX) return;
    if (!trace.moved) {
      keep();
      open = [];
    }
    trace.moved = true;
    const at = place(event);
    const last = trace.points.at(-1);
    if (Math.hypot(at[0] - last[0], at[1] - last[1]) < TRACE_STEP) return;
    trace.points.push(at);
    if (kind() !== FOVEA) open = trace.points;
    draw();
  });
  surface.addEventListener("pointerup", (event) => {
    if (!trace || !event.isPrimary) return;
    const { points, moved } = trace;
    trace = null;
    cross = null;
    if (!moved) return point(points[0]);
    if (kind() === FOVEA) put([points.at(-1)]);
    else if (points.length > 3) put(points.slice(0, 400));
    open = [];
    say("Marked.");
    draw();
  });
  surface.addEventListener("pointercancel", () => {
    if (trace?.moved) undo();
    trace = null;
  });

  surface.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey) {
      if (event.key.toLowerCase() !== "z") return;
      event.preventDefault();
      return undo();
    }
    const step = event.shiftKey ? 3 : 15;
    const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (move) {
      const [x, y] = cross ?? [500, 500];
      cross = [x + move[0], y + move[1]].map((value) => Math.min(1000, Math.max(0, value)));
      say(`${Math.round(cross[0] / 10)} percent across, ${Math.round(cross[1] / 10)} percent down.`);
      draw();
    } else if (event.key === "Enter" || event.key === " ") {
      point(cross ?? [500, 500]);
    } else if (event.key.toLowerCase() === "c") {
      close();
    } else if (event.key === "Backspace" || event.key === "Delete") {
      undo();
    } else {
      return;
    }
    event.preventDefault();
  });

  form.querySelector("[data-close]").addEventListener("click", close);
  form.querySelector("[data-undo]").addEventListener("click", undo);
  form.querySelector("[data-clear]").addEventListener("click", clear);
  field.addEventListener("input", draw);
  form.addEventListener("change", (event) => {
    if (event.target.name !== "kind") return;
    // A begun outline belongs to the kind it was begun for.
    open = [];
    draw();
  });
  form.addEventListener("submit", (event) => {
    if (open.length < 3) return;
    event.preventDefault();
    say("An outline is still open: close it, or take it back.");
    form.querySelector("[data-close]").focus();
  });
  draw();
}

/** A reviewer's remark is about the place tapped. */
function setUpRemark(form, root) {
  const { picture, x: across, y: down, remark } = form.elements;
  const clear = () => root.querySelectorAll(".remark-place").forEach((old) => old.remove());
  // One listener for all: drawn eyes come and go while the reviewer looks.
  root.addEventListener("click", (event) => {
    const shown = event.target.closest("[data-remark-on] .disc-shaped");
    if (!shown) return;
    const taken = shown.closest("[data-remark-on]");
    const box = shown.getBoundingClientRect();
    const [x, y] = [event.clientX - box.left, event.clientY - box.top].map((value) => Math.round((value * 1000) / box.width));
    const { remarkOn, remarkName } = taken.dataset;
    if (![...picture.options].some((one) => one.value === remarkOn)) picture.add(new Option(remarkName, remarkOn));
    picture.value = remarkOn;
    across.value = x;
    down.value = y;
    clear();
    const svg = drawn("svg", { class: "remark-place", viewBox: "0 0 1000 1000", "aria-hidden": "true" });
    svg.append(drawn("circle", { cx: x, cy: y, r: 26 }));
    shown.append(svg);
    remark.focus({ preventScroll: true });
  });
  picture.addEventListener("change", () => {
    across.value = down.value = "";
    clear();
  });
}

onPage((root) => {
  const marking = root.querySelector("form[data-marking]");
  if (marking) setUpMarking(marking);
  const about = root.querySelector("[data-about-picture]");
  if (about) setUpRemark(about.form, root);
});
