// What a recorded examination has shown: the same whole numbers, step by step, as the
// server's own sum (server/optics/coverage.py, which explains them).

export const STEP = 50;
const GAP_MS = 1000;
const SEEN_MS = 300;
const FOCUS = 100;
const SLIT = 2;
const SLIT_HALF_WIDTH = 75;
const WIDEST = [500, 250, 500, 500];

/** Radius of the field in hundredths of a degree, for a pupil in hundredths of a millimetre. */
export function fieldRadius(aperture, pupil, setting) {
  const factor = 1 + 0.001 * setting.distance * setting.refraction;
  const seen = 0.5 * (18000 / Math.PI) * (pupil / (100 * setting.distance)) * factor;
  return Math.min(WIDEST[aperture], Math.floor(seen));
}

/** Undo run lengths: value, count, value, count, ... */
export function unrun(runs) {
  const cells = [];
  for (let k = 0; k < runs.length; k += 2) {
    for (let left = runs[k + 1]; left > 0; left -= 1) cells.push(runs[k]);
  }
  return Int32Array.from(cells);
}

/** Follow the rows of a recording over the cells; returns each cell's time and how many were seen. */
export function cover(rows, ground, needs, setting) {
  const n = ground.size / STEP;
  const dwell = new Int32Array(n * n);
  const slack = FOCUS + Math.round(100 * setting.reserve);
  for (let k = 0; k + 1 < rows.length; k += 1) {
    const [t, x, y, aperture, lens, pupil] = rows[k];
    const dt = Math.min(rows[k + 1][0] - t, GAP_MS);
    const r = fieldRadius(aperture, pupil, setting);
    const half = aperture === SLIT ? Math.min(r, SLIT_HALF_WIDTH) : r;
    const [top, bottom] = span(y - ground.top, r, n);
    const [left, right] = span(x - ground.left, half, n);
    for (let i = top; i < bottom; i += 1) {
      const dy = ground.top + i * STEP + STEP / 2 - y;
      for (let j = left; j < right; j += 1) {
        const dx = ground.left + j * STEP + STEP / 2 - x;
        if (Math.abs(dx) > half || dx * dx + dy * dy > r * r) continue;
        const off = lens - needs[i * n + j];
        if (off <= FOCUS && off >= -slack) dwell[i * n + j] += dt;
      }
    }
  }
  let seen = 0;
  for (const time of dwell) if (time >= SEEN_MS) seen += 1;
  return { dwell, seen };
}

function span(middle, reach, n) {
  const low = Math.floor((middle - reach) / STEP);
  const high = Math.floor((middle + reach) / STEP) + 1;
  return [Math.min(Math.max(low, 0), n), Math.min(Math.max(high, 0), n)];
}
