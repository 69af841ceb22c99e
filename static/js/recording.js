// The recording of an examination, as server/optics/recorded_path.py describes it.

const LEAST_MS = 100;
const HEARTBEAT_MS = 500;
const MAX_ROWS = 3990;
const MAX_MS = 15 * 60 * 1000 - 5000;
const MAX_CHARACTERS = 59000;

export class Recording {
  constructor() {
    this.rows = [];
    this.length = 4;
    this.origin = 0;
  }

  /** Whether no more can be taken: then the examination has to be ended. */
  get full() {
    const last = this.rows.at(-1);
    return this.rows.length >= MAX_ROWS || this.length >= MAX_CHARACTERS || (last && last[0] >= MAX_MS);
  }

  /** Take the instrument's state (x, y, aperture, lens, pupil as whole numbers) at a time. */
  note(state, now) {
    if (!this.rows.length) {
      this.origin = now;
      this.add([0, ...state]);
      return;
    }
    const last = this.rows.at(-1);
    const time = Math.round(now - this.origin);
    const still = state.every((value, place) => value === last[place + 1]);
    if (this.full || time - last[0] < (still ? HEARTBEAT_MS - 50 : LEAST_MS)) return;
    this.add([time, ...state]);
  }

  /** The rows so far with an end; the recording itself goes on, should the answer not be taken. */
  ended(state, now) {
    const last = this.rows.at(-1) ?? [0, ...state];
    const end = [Math.max(Math.round(now - this.origin), last[0] + LEAST_MS), ...state];
    return [...(this.rows.length ? this.rows : [last]), end];
  }

  add(row) {
    this.length += this.written(row, this.rows.at(-1)).length + 1;
    this.rows.push(row);
  }

  written(row, before) {
    const differences = row.map((value, place) => value - (before ? before[place] : 0));
    while (differences.length > 1 && differences.at(-1) === 0) differences.pop();
    return differences.join(".");
  }

  encode(rows) {
    return ["fp1", ...rows.map((row, k) => this.written(row, rows[k - 1]))].join("_");
  }
}
