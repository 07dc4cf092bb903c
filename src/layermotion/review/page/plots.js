// Draws the course of each quantity over time with its windows, in step with the frame on show.

import { announce, layer, looks, make, markWords, say, state, withUnit } from "./words.js";

const LEFT = 46;
const RIGHT = 10;
const TOP = 22;
const FOOT = 22;
const GAP = 12;
// Part of the height that the second plot takes.
const SECOND = 0.36;
const INK = "#22252b";
const FAINT = "#5a5f68";
const RULE = "#d6d1c4";
const TINTS = { rest: "#e9eef1", contracted: "#f4dfc0", lifted: "#efe8dc", regained: "#efe8dc" };
// A correction by keys is sent when no key came for so long, ms.
const REST_OF_KEYS_MS = 350;

/** Pairs of what the series hold: {name, lines}, the main one first. */
export function plotsOf(series) {
  const muscles = series.filter((q) => q.quantity === "thickness" && q.structure !== "fat");
  const groups = [
    ["thickness", muscles],
    ["base_displacement", series.filter((q) => q.quantity === "base_displacement")],
    ["slide", series.filter((q) => q.quantity === "slide")],
    ["medial_edge", series.filter((q) => q.quantity === "medial_edge")],
    ["fat", series.filter((q) => q.quantity === "thickness" && q.structure === "fat")],
    ["probe_shift", series.filter((q) => q.quantity === "probe_shift")],
  ];
  return groups
    .map(([name, lines]) => ({ name, lines: lines.filter((q) => q.value.some((v) => v !== null)) }))
    .filter((group) => group.lines.length);
}

export class Plots {
  /** `tell` gets corrections of windows; `go` the frame that was pointed at. */
  constructor(element, second, { tell, go }) {
    this.element = element;
    this.canvas = element.querySelector("canvas");
    this.ends = element.querySelector(".over");
    this.second = second;
    this.tell = tell;
    this.go = go;
    this.still = document.createElement("canvas");
    this.held = null;
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
    if (this.isPulling && this.clip) this.go(this.frameAt(event.offsetX));
  }

  x(time) {
    const times = this.clip.times;
    const span = times[times.length - 1] - times[0] || 1;
    return LEFT + ((time - times[0]) / span) * (this.width - LEFT - RIGHT);
  }

  frameAt(x) {
    const times = this.clip.times;
    const span = times[times.length - 1] - times[0];
    const wanted = times[0] + ((x - LEFT) / (this.width - LEFT - RIGHT)) * span;
    let best = 0;
    for (let k = 1; k < times.length; k += 1) {
      if (Math.abs(times[k] - wanted) < Math.abs(times[best] - wanted)) best = k;
    }
    return best;
  }

  /** Draw all anew. */
  show(clip, frame) {
    this.clip = clip;
    const box = this.element.getBoundingClientRect();
    this.dense = window.devicePixelRatio || 1;
    this.width = box.width;
    this.height = box.height;
    for (const canvas of [this.canvas, this.still]) {
      canvas.width = Math.round(box.width * this.dense);
      canvas.height = Math.round(box.height * this.dense);
    }
    const groups = plotsOf(clip.shown.series);
    this.offer(groups.slice(1));
    const chosen = groups.find((group) => group.name === this.second.value);
    this.drawStill(groups.slice(0, 1).concat(chosen ? [chosen] : []));
    this.placeEnds();
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
    pen.fillStyle = "#ffffff";
    pen.fillRect(0, 0, this.width, this.height);
    this.drawWindows(pen);
    const room = this.height - TOP - FOOT;
    const heights = groups.length > 1 ? [room * (1 - SECOND) - GAP, room * SECOND] : [room];
    let top = TOP;
    groups.forEach((group, k) => {
      this.drawPanel(pen, group, top, heights[k]);
      top += heights[k] + GAP;
    });
    this.drawTime(pen);
    this.canvas.setAttribute("aria-label", this.wordsOf(groups));
  }

  wordsOf(groups) {
    return groups
      .map((group) => `${say(`plot.${group.name}`)}: ${group.lines.map((q) => layer(q.structure)).join(", ")}`)
      .join("; ");
  }

  drawWindows(pen) {
    pen.font = "14px sans-serif";
    pen.textBaseline = "top";
    for (const window of this.clip.shown.windows) {
      const held = this.held && this.held.window === window ? this.held : window;
      const from = this.x(this.clip.times[held.first]);
      const to = this.x(this.clip.times[held.last]);
      pen.fillStyle = TINTS[window.state];
      pen.fillRect(from, 0, to - from, this.height - FOOT);
      pen.strokeStyle = RULE;
      pen.strokeRect(from, 0.5, to - from, this.height - FOOT);
      pen.fillStyle = INK;
      const name = say("plot.window", { state: state(window.state), repeat: window.repeat });
      const short = to - from < pen.measureText(name).width + 6 ? String(window.repeat) : name;
      if (to - from > pen.measureText(short).width) pen.fillText(short, from + 3, 3);
    }
  }

  drawPanel(pen, group, top, height) {
    const values = group.lines.flatMap((q) => q.value.filter((v) => v !== null));
    let [low, high] = [Math.min(...values), Math.max(...values)];
    if (group.name !== "thickness") [low, high] = [Math.min(low, 0), Math.max(high, 0)];
    const pad = 0.08 * (high - low || 1);
    [low, high] = [low - pad, high + pad];
    const y = (value) => top + height - ((value - low) / (high - low)) * height;
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
    for (const mark of marks(low, high, height > 70 ? 4 : 2)) {
      pen.fillText(markWords(mark), LEFT - 6, y(mark));
      pen.strokeStyle = RULE;
      pen.beginPath();
      pen.moveTo(LEFT, y(mark));
      pen.lineTo(this.width - RIGHT, y(mark));
      pen.stroke();
    }
    pen.textAlign = "left";
    pen.lineWidth = 2;
    for (const line of group.lines) {
      const look = looks[line.structure] ?? { paper: INK, pattern: [] };
      pen.strokeStyle = look.paper;
      pen.setLineDash(look.pattern);
      pen.beginPath();
      let isDown = false;
      line.value.forEach((value, k) => {
        if (value === null) {
          isDown = false;
          return;
        }
        const place = [this.x(this.clip.times[k]), y(value)];
        if (isDown) pen.lineTo(...place);
        else pen.moveTo(...place);
        isDown = true;
      });
      pen.stroke();
    }
    pen.setLineDash([]);
    this.nameLines(pen, group, y, top, height);
  }

  /** Write the name of each line where it begins, one above the other where they are near. */
  nameLines(pen, group, y, top, height) {
    pen.font = "bold 14px sans-serif";
    const firsts = group.lines
      .map((line) => ({ line, at: y(line.value.find((v) => v !== null)) }))
      .sort((a, b) => a.at - b.at);
    const written = [];
    for (const { line, at } of firsts) {
      const place = Math.max(top + 8, Math.min(at + 10, top + height - 8));
      pen.fillStyle = looks[line.structure]?.paper ?? INK;
      const name = ["thickness", "base_displacement", "probe_shift"].includes(group.name) ? layer(line.structure)
        : `${layer(line.structure)} ${say(`plot.${group.name}`)}`;
      // Beside another name that is as high.
      const near = written.filter((other) => Math.abs(other.place - place) < 15);
      const x = Math.max(LEFT + 6, ...near.map((other) => other.end + 10));
      pen.fillText(name, x, place);
      written.push({ place, end: x + pen.measureText(name).width });
    }
    pen.font = "14px sans-serif";
    pen.fillStyle = FAINT;
    pen.fillText(group.lines[0].unit, LEFT - 28, top - 5);
  }

  drawTime(pen) {
    const times = this.clip.times;
    pen.fillStyle = INK;
    pen.font = "14px sans-serif";
    pen.textBaseline = "bottom";
    pen.textAlign = "center";
    for (const mark of marks(times[0], times[times.length - 1], 8)) {
      pen.fillText(markWords(mark), this.x(mark), this.height - 3);
    }
    pen.textAlign = "right";
    pen.fillText("s", this.width - 3, this.height - 3);
    pen.textAlign = "left";
  }

  /** Show which frame is on show. */
  at(frame) {
    this.frame = frame;
    if (!this.clip) return;
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.drawImage(this.still, 0, 0);
    pen.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    const x = this.x(this.clip.times[frame]);
    pen.strokeStyle = INK;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.moveTo(x, 0);
    pen.lineTo(x, this.height - FOOT);
    pen.stroke();
  }

  /** Put a grip at each end of each window; they keep their focus while all is drawn anew. */
  placeEnds() {
    const wanted = this.clip.shown.windows.flatMap((window) => ["first", "last"].map((end) => ({ window, end })));
    const hasFocus = document.activeElement?.dataset?.end;
    this.ends.replaceChildren(...wanted.map(({ window, end }) => this.grip(window, end)));
    if (hasFocus) this.ends.querySelector(`[data-end="${hasFocus}"]`)?.focus();
  }

  grip(window, end) {
    const frame = window[end];
    const grip = make("button", {
      type: "button", role: "slider", class: `grip ${end}`,
      "data-end": `${window.state}-${window.repeat}-${end}`,
      "aria-valuemin": 0, "aria-valuemax": this.clip.count - 1, "aria-valuenow": frame,
      "aria-valuetext": withUnit(this.clip.times[frame], "s"),
      tabindex: this.isOpen ? 0 : -1,
      label: say(`plot.${end}_of`, { state: state(window.state), repeat: window.repeat }),
    });
    this.put(grip, frame);
    grip.addEventListener("pointerdown", (event) => this.hold(event, grip, window, end));
    grip.addEventListener("keydown", (event) => this.key(event, grip, window, end));
    return grip;
  }

  put(grip, frame) {
    grip.style.left = `${this.x(this.clip.times[frame])}px`;
  }

  /** Whether a window may end there; it holds at least two frames. */
  clamp(window, end, frame) {
    const last = this.clip.count - 1;
    return end === "first" ? Math.max(0, Math.min(frame, window.last - 1))
      : Math.min(last, Math.max(frame, window.first + 1));
  }

  hold(event, grip, window, end) {
    event.preventDefault();
    grip.focus();
    grip.setPointerCapture(event.pointerId);
    const left = this.element.getBoundingClientRect().left;
    const move = (now) => this.shift(grip, window, end, this.frameAt(now.clientX - left));
    const up = () => {
      grip.removeEventListener("pointermove", move);
      this.finish(window);
    };
    grip.addEventListener("pointermove", move);
    grip.addEventListener("pointerup", up, { once: true });
  }

  key(event, grip, window, end) {
    const steps = { ArrowLeft: -1, ArrowRight: 1, PageDown: -10, PageUp: 10 }[event.key];
    if (!steps) return;
    event.preventDefault();
    event.stopPropagation();
    const now = this.held?.window === window ? this.held[end] : window[end];
    this.shift(grip, window, end, now + steps);
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.finish(window), REST_OF_KEYS_MS);
  }

  shift(grip, window, end, frame) {
    const held = this.held?.window === window ? this.held : { window, first: window.first, last: window.last };
    held[end] = this.clamp(window, end, frame);
    this.held = held;
    grip.setAttribute("aria-valuenow", held[end]);
    grip.setAttribute("aria-valuetext", withUnit(this.clip.times[held[end]], "s"));
    this.put(grip, held[end]);
    this.go(held[end]);
  }

  finish(window) {
    const held = this.held;
    this.held = null;
    if (!held || (held.first === window.first && held.last === window.last)) return;
    announce(say("said.window"));
    this.tell({ kind: "set_window", state: window.state, repeat: window.repeat, first: held.first, last: held.last });
  }

  /** Let the grips be reached by keys, or not. */
  open(isOpen) {
    this.isOpen = isOpen;
    for (const grip of this.ends.children) grip.tabIndex = isOpen ? 0 : -1;
    if (isOpen) this.ends.firstElementChild?.focus();
  }
}

/** Round values between two numbers, about as many as wanted. */
export function marks(low, high, wanted) {
  const raw = (high - low) / wanted || 1;
  const power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((k) => k * power).find((k) => k >= raw);
  const found = [];
  for (let value = Math.ceil(low / step) * step; value <= high; value += step) found.push(value);
  return found;
}
