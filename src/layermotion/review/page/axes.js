// The scales and axes of the plots: where a time and a value lie, and the marks beside them.

import { markWords } from "./words.js";

export const LEFT = 46;
export const RIGHT = 10;
export const TOP = 22;
export const FOOT = 22;
export const PAPER = "#fff";
export const INK = "#22252b";
export const FAINT = "#5a5f68";
export const RULE = "#d6d1c4";
// The axis of a displacement reaches at least so far, so that noise does not look like a change.
const LEAST_MM = 2;

/** Where times lie between the two ends of a plot. */
export class TimeScale {
  constructor(times, width) {
    this.times = times;
    this.width = width;
  }

  x(time) {
    const times = this.times;
    const span = times[times.length - 1] - times[0] || 1;
    return LEFT + ((time - times[0]) / span) * (this.width - LEFT - RIGHT);
  }

  frameAt(x) {
    const times = this.times;
    const span = times[times.length - 1] - times[0];
    const wanted = times[0] + ((x - LEFT) / (this.width - LEFT - RIGHT)) * span;
    let best = 0;
    for (let k = 1; k < times.length; k += 1) {
      if (Math.abs(times[k] - wanted) < Math.abs(times[best] - wanted)) best = k;
    }
    return best;
  }

  /** Write the time beneath all plots. */
  draw(pen, height) {
    const times = this.times;
    pen.fillStyle = INK;
    pen.font = "14px sans-serif";
    pen.textBaseline = "bottom";
    pen.textAlign = "center";
    for (const mark of marks(times[0], times[times.length - 1], 8)) {
      pen.fillText(markWords(mark), this.x(mark), height - 3);
    }
    pen.textAlign = "right";
    pen.fillText("s", this.width - 3, height - 3);
    pen.textAlign = "left";
  }
}

/** Where the values of one plot lie; a way from rest shows its zero. */
export class ValueScale {
  constructor(group, top, height) {
    const values = group.lines.flatMap((q) => q.value.filter((v) => v !== null));
    let [low, high] = [Math.min(...values), Math.max(...values)];
    this.unit = group.lines[0].unit;
    if (group.name !== "thickness") [low, high] = [Math.min(low, 0), Math.max(high, 0)];
    const lack = this.unit === "mm" && group.name !== "thickness" ? LEAST_MM - (high - low) : 0;
    if (lack > 0) [low, high] = [low - lack / 2, high + lack / 2];
    const pad = 0.08 * (high - low || 1);
    [this.low, this.high] = [low - pad, high + pad];
    this.top = top;
    this.height = height;
  }

  y(value) {
    return this.top + this.height - ((value - this.low) / (this.high - this.low)) * this.height;
  }

  draw(pen, width) {
    const { top, height } = this;
    pen.strokeStyle = FAINT;
    pen.lineWidth = 1;
    pen.beginPath();
    pen.moveTo(LEFT, top);
    pen.lineTo(LEFT, top + height);
    pen.stroke();
    pen.fillStyle = INK;
    pen.font = "14px sans-serif";
    pen.textBaseline = "middle";
    pen.textAlign = "right";
    for (const mark of marks(this.low, this.high, height > 70 ? 4 : 3)) {
      pen.fillText(markWords(mark), LEFT - 6, this.y(mark));
      pen.strokeStyle = RULE;
      pen.beginPath();
      pen.moveTo(LEFT, this.y(mark));
      pen.lineTo(width - RIGHT, this.y(mark));
      pen.stroke();
    }
    pen.textAlign = "left";
  }

  /** Write the unit above the axis. */
  drawUnit(pen) {
    pen.font = "14px sans-serif";
    pen.fillStyle = FAINT;
    pen.fillText(this.unit, LEFT - 28, this.top - 9);
  }
}

/** Round values between two numbers, about as many as wanted. */
function marks(low, high, wanted) {
  const raw = (high - low) / wanted || 1;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((k) => k * power).find((k) => k >= raw);
  const found = [];
  for (let value = Math.ceil(low / step) * step; value <= high; value += step) found.push(value);
  return found;
}
