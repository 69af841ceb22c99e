// The empty map of a fundus on which one marks, from memory, where a finding was.

import { onPage } from "./page.js";

/** The empty map: a tap, or the arrow keys, put the mark; Delete takes it away. */
function setUpMap(form) {
  const map = form.querySelector("[data-map]");
  const pin = map.querySelector("[data-pin]");
  const { centre, field } = JSON.parse(map.dataset.map);
  let mark = null;

  function put(x, y) {
    const away = Math.hypot(x - 500, y - 500);
    const keep = away > 490 ? 490 / away : 1;
    mark = [500 + keep * (x - 500), 500 + keep * (y - 500)];
    pin.setAttribute("transform", `translate(${mark[0]} ${mark[1]})`);
    pin.removeAttribute("hidden");
    form.elements.mark_x.value = ((mark[0] / 1000 - 0.5) * field + centre[0]).toFixed(2);
    form.elements.mark_y.value = ((mark[1] / 1000 - 0.5) * field + centre[1]).toFixed(2);
    form.querySelector("[value=abnormal]").checked = true;
  }
  function away() {
    mark = null;
    pin.setAttribute("hidden", "");
    form.elements.mark_x.value = form.elements.mark_y.value = "";
  }
  map.addEventListener("click", (event) => {
    const box = map.getBoundingClientRect();
    put((1000 * (event.clientX - box.left)) / box.width, (1000 * (event.clientY - box.top)) / box.height);
  });
  map.addEventListener("keydown", (event) => {
    const way = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] }[event.key];
    if (event.key === "Delete" || event.key === "Backspace") away();
    else if (way) {
      const far = event.shiftKey ? 8 : 30;
      put((mark?.[0] ?? 500) + far * way[0], (mark?.[1] ?? 500) + far * way[1]);
    } else return;
    event.preventDefault();
  });
  form.querySelector("[value=normal]").addEventListener("change", away);
}

onPage((root) => {
  const form = root.querySelector("form[data-examined]");
  if (form) setUpMap(form);
});
