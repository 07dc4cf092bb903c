// One clip on the bench: what the program told of it, and every change sent back. Draws nothing.

import { ask, tell } from "/serving/server.js";
import { Film } from "./film.js";
import { Outlines } from "./outline.js";

export class Clip {
  static async open(number) {
    const [told, edges] = await Promise.all([
      ask(`/clips/${number}`).then((response) => response.json()),
      ask(`/clips/${number}/outlines`).then((response) => response.arrayBuffer()),
    ]);
    return new Clip(number, told, new Float32Array(edges));
  }

  constructor(number, told, edges) {
    this.number = number;
    const { shown } = told;
    this.times = shown.time_s;
    this.count = shown.frames;
    this.isStill = shown.is_still;
    this.rows = shown.height_px;
    this.columns = shown.width_px;
    this.outlines = new Outlines(edges, shown.columns);
    this.film = new Film(number, this.count);
    this.looked = new Set();
    this.take(told);
  }

  take(told) {
    this.shown = told.shown;
    const scale = told.shown.mm_per_pixel;
    this.spacing = scale ? { row_mm: scale[0], column_mm: scale[1] } : null;
    this.canUndo = told.can_undo;
    this.isSeen = told.is_seen;
    this.revision = told.revision;
    if (told.outlines) this.outlines.renew(told.outlines);
    return told.day;
  }

  close() {
    this.film.close();
  }

  /** Send one correction; gives the state of the day. */
  async correct(correction, why) {
    return this.take(await tell(`/clips/${this.number}/corrections`, { correction, why, revision: this.revision }));
  }

  async undo() {
    return this.take(await tell(`/clips/${this.number}/undo`, { revision: this.revision }));
  }

  /** Note that frames were on show; true when every window was and the program is to know. */
  look(frames) {
    const { windows } = this.shown;
    for (const frame of frames) this.looked.add(frame);
    const isSeen = ({ first, last }) => [...this.looked].some((one) => one >= first && one <= last);
    return !this.isSeen && windows.every(isSeen);
  }

  async tellSeen() {
    return this.take(await tell(`/clips/${this.number}/seen`));
  }

  window(state, repeat) {
    return this.shown.windows.find((w) => w.state === state && w.repeat === repeat) ?? null;
  }

  get repeats() {
    const all = [...this.shown.windows, ...this.shown.left_out];
    return [...new Set(all.map((one) => one.repeat))].sort((a, b) => a - b);
  }

  isLeftOut(repeat) {
    return this.shown.left_out.some((one) => one.repeat === repeat);
  }

  measure(key) {
    return this.shown.measures.find((one) => one.key === key) ?? null;
  }

  /** Site in columns of the image area; null where there is none. */
  get site() {
    return this.shown.site_px ?? null;
  }

  /** Distance of two points [row, column], mm; null without a scale. */
  distance(from, to) {
    if (!this.spacing) return null;
    return Math.hypot(
      (to[0] - from[0]) * this.spacing.row_mm, (to[1] - from[1]) * this.spacing.column_mm);
  }
}
