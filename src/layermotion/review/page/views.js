// The two panes of the bench: which frames they show, how near, and which is in hand.

import { Pane, Zoom } from "./pane.js";
import { looks, say, state, withUnit } from "./words.js";

/** How much nearer one step is. */
export const NEARER = 1.3;
const byId = (id) => document.getElementById(id);

export class Views {
  constructor(bench) {
    this.bench = bench;
    this.zoom = new Zoom();
    this.panes = ["pane-rest", "pane-effort"].map((id) => new Pane(byId(id), looks));
  }

  /** Frames of the two panes: the one on show, and the middle of the other window. */
  framesOfPanes() {
    if (!this.bench.isBoth) return [null, this.bench.frame];
    const own = this.bench.clip.shown.windows.find((w) => this.bench.frame >= w.first && this.bench.frame <= w.last);
    if (own) this.bench.repeat = own.repeat;
    const middle = (state) => {
      const window = this.bench.clip.window(state, this.bench.repeat)
        ?? this.bench.clip.shown.windows.find((w) => (w.state === "rest") === (state === "rest"));
      return window ? Math.floor((window.first + window.last) / 2) : 0;
    };
    return own?.state === "rest" ? [this.bench.frame, middle("contracted")] : [middle("rest"), this.bench.frame];
  }

  get activePane() {
    const [rest] = this.framesOfPanes();
    return this.panes[rest === this.bench.frame ? 0 : 1];
  }

  /** Draw the frame on show as soon as the one before is drawn. */
  show() {
    this.askedFor = this.bench.frame;
    if (!this.isDrawing) this.draw();
  }

  async draw() {
    this.isDrawing = true;
    try {
      do {
        this.askedFor = null;
        await this.drawNow();
      } while (this.askedFor !== null && this.bench.clip);
    } finally {
      this.isDrawing = false;
    }
  }

  async drawNow() {
    const { clip } = this.bench;
    if (!clip) return;
    const frame = this.bench.frame;
    const frames = this.framesOfPanes();
    const active = this.activePane;
    const pictures = await Promise.all(frames.map((own) => (own === null ? null : clip.film.picture(own))));
    if (this.bench.clip !== clip) return;
    this.panes.forEach((pane, k) => {
      if (!pictures[k]) return;
      this.pictures = pictures;
      pane.draw(pictures[k], frames[k], clip, this.zoom, pane === active ? this.bench.hands.chosen : null);
      pane.element.classList.toggle("active", pane === active && this.bench.isBoth);
      this.nameOf(pane, frames[k], k);
    });
    this.bench.hands.lay(active, clip, frame);
    this.bench.hands.drawCalliper(active);
    this.bench.plots.at(frame);
    byId("time").textContent = clip.isStill
      ? say("clip.time_still", { frame: frame + 1, count: clip.count })
      : say("clip.time", { time: withUnit(clip.times[frame], "s"), frame: frame + 1, count: clip.count });
    byId("scrub").setAttribute("aria-valuetext", byId("time").textContent);
    // Stills stand beside each other whole, while of a clip the frame on show alone counts.
    if (clip.look(clip.isStill ? frames.filter((own) => own !== null) : [frame])) this.bench.tellSeen();
  }

  /** Draw the pane in hand anew, at once: something on it is being moved. */
  drawActive() {
    const k = this.panes.indexOf(this.bench.hands.pane);
    const picture = this.pictures?.[k];
    if (!picture) return;
    const pane = this.panes[k];
    pane.draw(picture, pane.frame, this.bench.clip, this.zoom, this.bench.hands.chosen);
    this.bench.hands.drawCalliper(pane);
  }

  nameOf(pane, frame, k) {
    const window = this.bench.clip.shown.windows.find((w) => frame >= w.first && frame <= w.last);
    const name = window ? say("plot.window", { state: state(window.state), repeat: window.repeat })
      : say(this.bench.isBoth && k === 0 ? "state.rest" : "clip.between");
    pane.tag.textContent = name;
    pane.canvas.setAttribute("aria-label", say("clip.picture", { what: name, frame: frame + 1 }));
  }

  near(factor, around = null) {
    if (!this.bench.clip) return;
    const site = this.bench.clip.site ?? this.bench.clip.columns / 2;
    this.zoom.by(factor, around ?? this.zoom.middle ?? [this.bench.clip.rows / 2, site], this.bench.clip);
    this.bench.go(this.bench.frame);
  }

  wheel(event, pane) {
    event.preventDefault();
    const box = pane.element.getBoundingClientRect();
    const around = pane.inPicture(event.clientX - box.left, event.clientY - box.top);
    this.near(event.deltaY < 0 ? NEARER : 1 / NEARER, around);
  }

  /** A press on the pane that rests brings its frame; on the other one it moves a near picture. */
  press(event, pane) {
    if (this.bench.isBoth && pane !== this.activePane) {
      this.bench.player.stop();
      this.bench.go(pane.frame);
      return;
    }
    if (this.zoom.factor === 1) return;
    pane.canvas.setPointerCapture(event.pointerId);
    let [x, y] = [event.clientX, event.clientY];
    const move = (now) => {
      const [row, column] = this.zoom.middle;
      this.zoom.middle = [row - (now.clientY - y) / pane.perRow, column - (now.clientX - x) / pane.perColumn];
      [x, y] = [now.clientX, now.clientY];
      this.bench.go(this.bench.frame);
    };
    pane.canvas.addEventListener("pointermove", move);
    pane.canvas.addEventListener("pointerup", () => pane.canvas.removeEventListener("pointermove", move), { once: true });
  }
}
