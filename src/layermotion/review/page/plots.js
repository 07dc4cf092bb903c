// The plots of a clip: which quantities are shown, in step with the frame on show.

import { FOOT, INK, PAPER, TimeScale, TOP, ValueScale } from "./axes.js";
import { drawLines, drawWindows, plotsOf, wordsOf } from "./curves.js";
import { WindowEnds } from "./window-ends.js";
import { make, say } from "./words.js";

// Between two plots, px: the unit of the lower one stands there.
const GAP = 18;
// Part of the height that the second plot takes.
const SECOND = 0.36;

export class Plots {
  /** `tell` gets corrections of windows; `go` the frame that was pointed at. */
  constructor(element, second, { tell, go }) {
    this.element = element;
    this.canvas = element.querySelector("canvas");
    this.ends = new WindowEnds(element.querySelector(".over"), { tell, go });
    this.second = second;
    this.go = go;
    this.still = document.createElement("canvas");
    this.isPulling = false;
    this.canvas.addEventListener("pointerdown", (event) => this.point(event, true));
    this.canvas.addEventListener("pointermove", (event) => this.point(event, false));
    this.canvas.addEventListener("pointerup", () => {
      this.isPulling = false;
    });
    second.addEventListener("change", () => this.show(this.clip, this.frame));
  }

  point(event, isDown) {
    if (isDown) {
      this.isPulling = true;
      this.canvas.setPointerCapture(event.pointerId);
    }
    if (this.isPulling && this.clip) this.go(this.scale.frameAt(event.offsetX));
  }

  /** Draw all anew. */
  show(clip, frame) {
    this.clip = clip;
    const box = this.element.getBoundingClientRect();
    this.dense = window.devicePixelRatio || 1;
    this.width = box.width;
    this.height = box.height;
    this.scale = new TimeScale(clip.times, this.width);
    for (const canvas of [this.canvas, this.still]) {
      canvas.width = Math.round(box.width * this.dense);
      canvas.height = Math.round(box.height * this.dense);
    }
    const groups = plotsOf(clip.shown.series);
    this.offer(groups.slice(1));
    const chosen = groups.find((group) => group.name === this.second.value);
    this.drawStill(groups.slice(0, 1).concat(chosen ? [chosen] : []));
    this.ends.place(clip, this.scale);
    this.at(frame);
  }

  offer(groups) {
    const names = groups.map((group) => group.name);
    if (this.offered?.join() === names.join()) return;
    this.offered = names;
    this.second.replaceChildren(...names.map((name) => make("option", { text: say(`plot.${name}`), value: name })));
    this.second.disabled = names.length < 2;
  }

  drawStill(groups) {
    const pen = this.still.getContext("2d");
    pen.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    pen.fillStyle = PAPER;
    pen.fillRect(0, 0, this.width, this.height);
    drawWindows(pen, this.clip, this.ends.held, this.scale, this.height);
    const room = this.height - TOP - FOOT;
    const heights = groups.length > 1 ? [room * (1 - SECOND) - GAP, room * SECOND] : [room];
    let top = TOP;
    groups.forEach((group, k) => {
      const values = new ValueScale(group, top, heights[k]);
      values.draw(pen, this.width);
      drawLines(pen, group, this.scale, values);
      values.drawUnit(pen);
      top += heights[k] + GAP;
    });
    this.scale.draw(pen, this.height);
    this.canvas.setAttribute("aria-label", wordsOf(groups));
  }

  /** Show which frame is on show. */
  at(frame) {
    this.frame = frame;
    if (!this.clip) return;
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.drawImage(this.still, 0, 0);
    pen.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    const x = this.scale.x(this.clip.times[frame]);
    pen.strokeStyle = INK;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(x, 0);
    pen.lineTo(x, this.height - FOOT);
    pen.stroke();
  }

  /** Let the ends of the windows be reached by keys, or not. */
  open(isOpen) {
    this.ends.open(isOpen);
  }
}
