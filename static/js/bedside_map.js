// The empty map of a fundus on which one marks, from memory, where a finding was.

import { onPage } from "./page.js";

/**
 * The map: a tap, or the arrow keys, put the mark; Delete takes it away. `changed` is told
 * the place in thousandths of the picture, or null.
 */
function setUpMap(map, changed) {
  const pin = map.querySelector("[data-pin]");
  let mark = null;

  function put(x, y) {
    const away = Math.hypot(x - 500, y - 500);
    const keep = away > 490 ? 490 / away : 1;
    mark = [500 + keep * (x - 500), 500 + keep * (y - 500)];
    pin.setAttribute("transform", `translate(${mark[0]} ${mark[1]})`);
    pin.removeAttribute("hidden");
    changed(mark);
  }
  function clear() {
    mark = null;
    pin.setAttribute("hidden", "");
    changed(null);
  }
  map.addEventListener("click", (event) => {
    const box = map.getBoundingClientRect();
    put((1000 * (event.clientX - box.left)) / box.width, (1000 * (event.clientY - box.top)) / box.height);
  });
  map.addEventListener("keydown", (event) => {
    const way = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] }[event.key];
    if (event.key === "Delete" || event.key === "Backspace") clear();
    else if (way) {
      const far = event.shiftKey ? 8 : 30;
      put((mark?.[0] ?? 500) + far * way[0], (mark?.[1] ?? 500) + far * way[1]);
    } else return;
    event.preventDefault();
  });
  return { clear };
}

/** The demonstration: the map stands among the questions, and counts in degrees. */
function examined(form) {
  const map = form.querySelector("[data-map]");
  const { centre, field } = JSON.parse(map.dataset.map);
  const { clear } = setUpMap(map, (mark) => {
    for (const [k, name] of ["mark_x", "mark_y"].entries()) {
      form.elements[name].value = mark ? ((mark[k] / 1000 - 0.5) * field + centre[k]).toFixed(2) : "";
    }
    if (mark) form.querySelector("[value=abnormal]").checked = true;
  });
  form.querySelector("[value=normal]").addEventListener("change", clear);
}

/**
 * A look of a round: once something was judged to be there, its place is asked for before
 * anything is told. `asked` is told when the question begins and when it is taken back.
 */
export function askWhere(root, form, asked = () => {}) {
  const where = form.querySelector("[data-where]");
  const go = where.querySelector("[type=submit]");
  const unmarked = go.textContent;
  const { clear } = setUpMap(form.querySelector("[data-map]"), (mark) => {
    form.elements.place_x.value = mark ? mark[0].toFixed(1) : "";
    form.elements.place_y.value = mark ? mark[1].toFixed(1) : "";
    go.textContent = mark ? go.dataset.placed : unmarked;
  });

  function turn(on) {
    form.classList.toggle("placing", on);
    asked(on);
  }
  // Before the form's own listeners: an answer that still waits for this is not sent.
  root.addEventListener(
    "submit",
    (event) => {
      if (event.target !== form || form.classList.contains("placing")) return;
      if (!form.querySelector("[name=present]:checked")) return;
      event.preventDefault();
      event.stopImmediatePropagation();
      turn(true);
      where.querySelector("h2").focus();
      scrollTo(0, 0);
    },
    true,
  );
  where.querySelector("[data-look-again]").addEventListener("click", () => {
    clear();
    turn(false);
  });
}

onPage((root) => {
  const form = root.querySelector("form[data-examined]");
  if (form) examined(form);
});
