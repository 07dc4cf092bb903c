// The clip on the bench: puts pictures, plots, numbers and tools together, in step with each other.

import { tell } from "/serving/server.js";
import { askFor } from "./ask.js";
import { Clip } from "./clip.js";
import { Hands } from "./hands.js";
import { Numbers } from "./numbers.js";
import { SIDES, STRUCTURES } from "./outline.js";
import { Pane, Zoom } from "./pane.js";
import { Player } from "./player.js";
import { Plots } from "./plots.js";
import { calibrate } from "./scale.js";
import { announce, layer, looks, make, say, state, titleOf, withUnit } from "./words.js";

const NEARER = 1.3;
const edgeWords = ({ structure, side }) => say("tool.edge_of", { layer: layer(structure), edge: say(`tool.${side}`) });
const byId = (id) => document.getElementById(id);

export class Bench {
  /** `refresh` takes the state of the day; `trouble` a sentence; `isReadOnly` tells of the visit. */
  constructor({ refresh, trouble, isReadOnly }) {
    this.refresh = refresh;
    this.trouble = trouble;
    this.isReadOnly = isReadOnly;
    this.zoom = new Zoom();
    this.frame = 0;
    this.panes = ["pane-rest", "pane-effort"].map((id) => new Pane(byId(id), looks));
    this.isBoth = true;
    this.player = new Player((frame) => this.go(frame));
    this.plots = new Plots(byId("plots"), byId("second"), {
      tell: (correction) => this.correct(correction), go: (frame) => this.go(frame),
    });
    this.numbers = new Numbers({
      choose: (measure) => this.goTo(measure),
      tell: (correction) => this.correct(correction),
      calliper: (measure) => this.takeCalliper(measure),
    });
    this.hands = new Hands({
      tell: (correction) => this.correct(correction), draw: () => this.drawActive(),
      measured: (points, isFinal) => this.showCalliper(points, isFinal),
    });
    this.listen();
  }

  listen() {
    byId("play").addEventListener("click", () => this.play());
    byId("step-back").addEventListener("click", () => this.step(-1));
    byId("step-on").addEventListener("click", () => this.step(1));
    byId("scrub").addEventListener("input", (event) => this.go(Number(event.target.value)));
    byId("speed").addEventListener("change", (event) => this.player.setSpeed(Number(event.target.value)));
    byId("both").addEventListener("click", () => this.toggleBoth());
    byId("nearer").addEventListener("click", () => this.near(NEARER));
    byId("farther").addEventListener("click", () => this.near(1 / NEARER));
    byId("scale").addEventListener("click", () => this.askScale());
    byId("undo").addEventListener("click", () => this.undo());
    byId("confirm-all").addEventListener("click", () => this.confirmAll());
    byId("hand-over").addEventListener("click", () => this.handOver());
    byId("leave-out").addEventListener("click", () => this.leaveOut());
    byId("edge").addEventListener("change", (event) => {
      const [structure, side] = event.target.value.split("/");
      this.setEdge({ structure, side });
    });
    for (const button of document.querySelectorAll("[data-tool]")) {
      button.addEventListener("click", () => this.setTool(this.tool === button.dataset.tool ? null : button.dataset.tool));
    }
    for (const pane of this.panes) {
      pane.element.addEventListener("wheel", (event) => this.wheel(event, pane), { passive: false });
      pane.canvas.addEventListener("pointerdown", (event) => this.press(event, pane));
    }
    new ResizeObserver(() => this.clip && this.fit()).observe(byId("pictures"));
  }

  async open(number, summary) {
    this.player.stop();
    this.clip?.close();
    this.clip = null;
    this.wait(say("clip.loading"));
    for (const pane of this.panes) delete pane.canvas.dataset.frame;
    const clip = await Clip.open(number);
    this.clip = clip;
    this.summary = summary;
    this.zoom.reset();
    this.isBoth = clip.shown.windows.some((w) => w.state !== "rest") && clip.count > 1;
    this.repeat = clip.repeats[0] ?? 1;
    byId("scrub").max = String(clip.count - 1);
    this.hands.calliper = null;
    this.offerLayers();
    this.setTool(null);
    this.player.open(clip.times);
    this.showNumbers();
    const chosen = clip.measure(this.numbers.chosen);
    this.frame = this.middleOf(chosen ?? null) ?? 0;
    this.fit();
    this.wait("");
    announce(say("said.opened", { title: titleOf(summary) }));
  }

  close() {
    this.player.stop();
    this.clip?.close();
    this.clip = null;
  }

  wait(text) {
    byId("wait").textContent = text;
    byId("wait").hidden = !text;
  }

  offerLayers() {
    const there = STRUCTURES.filter((structure) => {
      for (let frame = 0; frame < this.clip.count; frame += Math.max(1, Math.floor(this.clip.count / 8))) {
        if (this.clip.outlines.has(frame, structure)) return true;
      }
      return false;
    });
    this.layers = there;
    byId("edge").replaceChildren(...there.flatMap((structure) => SIDES.map((side) => make("option", {
      value: `${structure}/${side}`, text: edgeWords({ structure, side }),
    }))));
    this.takeEdge({ structure: there.includes("tra") ? "tra" : there[there.length - 1], side: "deep" });
  }

  fit() {
    const [rest, effort] = this.panes;
    rest.element.hidden = !this.isBoth;
    byId("both").setAttribute("aria-pressed", String(this.isBoth));
    for (const pane of this.isBoth ? [rest, effort] : [effort]) pane.fit();
    this.plots.show(this.clip, this.frame);
    this.go(this.frame);
  }

  showNumbers() {
    const isReadOnly = this.isReadOnly();
    this.numbers.show(this.clip, isReadOnly);
    byId("undo").disabled = isReadOnly || !this.clip.canUndo;
    const open = this.numbers.open();
    byId("confirm-all").disabled = isReadOnly || !open.length || !this.clip.isSeen;
    byId("hand-over").disabled = isReadOnly;
    byId("leave-out").disabled = isReadOnly || !this.clip.repeats.length;
    for (const button of document.querySelectorAll("[data-tool], #scale")) button.disabled = isReadOnly;
    byId("why-not").textContent = isReadOnly ? say("numbers.read_only")
      : !open.length ? say("numbers.all_done")
        : this.clip.isSeen ? say("numbers.left", { number: open.length }) : say("numbers.see_first");
  }

  // Frames

  /** Frames of the two panes: the one on show, and the middle of the other window. */
  framesOfPanes() {
    if (!this.isBoth) return [null, this.frame];
    const own = this.clip.shown.windows.find((w) => this.frame >= w.first && this.frame <= w.last);
    if (own) this.repeat = own.repeat;
    const middle = (state) => {
      const window = this.clip.window(state, this.repeat)
        ?? this.clip.shown.windows.find((w) => (w.state === "rest") === (state === "rest"));
      return window ? Math.floor((window.first + window.last) / 2) : 0;
    };
    return own?.state === "rest" ? [this.frame, middle("contracted")] : [middle("rest"), this.frame];
  }

  get activePane() {
    const [rest] = this.framesOfPanes();
    return this.panes[rest === this.frame ? 0 : 1];
  }

  go(frame) {
    if (!this.clip) return;
    this.frame = Math.min(Math.max(frame, 0), this.clip.count - 1);
    byId("scrub").value = String(this.frame);
    this.askedFor = this.frame;
    if (!this.isDrawing) this.draw();
  }

  async draw() {
    this.isDrawing = true;
    try {
      do {
        this.askedFor = null;
        await this.drawNow();
      } while (this.askedFor !== null && this.clip);
    } finally {
      this.isDrawing = false;
    }
  }

  async drawNow() {
    const { clip } = this;
    if (!clip) return;
    const frame = this.frame;
    const frames = this.framesOfPanes();
    const active = this.activePane;
    const pictures = await Promise.all(frames.map((own) => (own === null ? null : clip.film.picture(own))));
    if (this.clip !== clip) return;
    this.panes.forEach((pane, k) => {
      if (!pictures[k]) return;
      this.pictures = pictures;
      pane.draw(pictures[k], frames[k], clip, this.zoom, pane === active ? this.hands.chosen : null);
      pane.element.classList.toggle("active", pane === active && this.isBoth);
      this.nameOf(pane, frames[k], k);
    });
    this.hands.lay(active, clip, frame);
    this.hands.drawCalliper(active);
    this.plots.at(frame);
    byId("time").textContent = say("clip.time", {
      time: withUnit(clip.times[frame], "s"), frame: frame + 1, count: clip.count,
    });
    byId("scrub").setAttribute("aria-valuetext", byId("time").textContent);
    if (clip.look(frame)) this.tellSeen();
  }

  /** Draw the pane in hand anew, at once: something on it is being moved. */
  drawActive() {
    const k = this.panes.indexOf(this.hands.pane);
    const picture = this.pictures?.[k];
    if (!picture) return;
    const pane = this.panes[k];
    pane.draw(picture, pane.frame, this.clip, this.zoom, this.hands.chosen);
    this.hands.drawCalliper(pane);
  }

  nameOf(pane, frame, k) {
    const window = this.clip.shown.windows.find((w) => frame >= w.first && frame <= w.last);
    const name = window ? say("plot.window", { state: state(window.state), repeat: window.repeat })
      : say(this.isBoth && k === 0 ? "state.rest" : "clip.between");
    pane.tag.textContent = name;
    pane.canvas.setAttribute("aria-label", say("clip.picture", { what: name, frame: frame + 1 }));
  }

  async tellSeen() {
    this.clip.isSeen = true;
    await this.safely(() => this.clip.tellSeen());
    announce(say("said.seen"));
  }

  play() {
    const isOn = this.player.toggle(this.frame);
    byId("play").setAttribute("aria-pressed", String(isOn));
    byId("play").textContent = say(isOn ? "clip.pause" : "clip.play");
    this.player.onStop = () => {
      byId("play").setAttribute("aria-pressed", "false");
      byId("play").textContent = say("clip.play");
    };
  }

  step(by) {
    this.player.stop();
    this.go(this.frame + by);
  }

  toState(name) {
    const window = this.clip.window(name, this.repeat);
    if (!window) return;
    this.player.stop();
    this.go(Math.floor((window.first + window.last) / 2));
  }

  toggleBoth() {
    this.isBoth = !this.isBoth;
    this.fit();
  }

  near(factor, around = null) {
    if (!this.clip) return;
    const site = this.clip.site ?? this.clip.columns / 2;
    this.zoom.by(factor, around ?? this.zoom.middle ?? [this.clip.rows / 2, site], this.clip);
    this.go(this.frame);
  }

  wheel(event, pane) {
    event.preventDefault();
    const box = pane.element.getBoundingClientRect();
    const around = pane.inPicture(event.clientX - box.left, event.clientY - box.top);
    this.near(event.deltaY < 0 ? NEARER : 1 / NEARER, around);
  }

  /** A press on the pane that rests brings its frame; on the other one it moves a near picture. */
  press(event, pane) {
    if (this.isBoth && pane !== this.activePane) {
      this.player.stop();
      this.go(pane.frame);
      return;
    }
    if (this.zoom.factor === 1) return;
    pane.canvas.setPointerCapture(event.pointerId);
    let [x, y] = [event.clientX, event.clientY];
    const move = (now) => {
      const [row, column] = this.zoom.middle;
      this.zoom.middle = [row - (now.clientY - y) / pane.perRow, column - (now.clientX - x) / pane.perColumn];
      [x, y] = [now.clientX, now.clientY];
      this.go(this.frame);
    };
    pane.canvas.addEventListener("pointermove", move);
    pane.canvas.addEventListener("pointerup", () => pane.canvas.removeEventListener("pointermove", move), { once: true });
  }

  // What is chosen

  middleOf(measure) {
    if (!measure || measure.repeat === "mean") return null;
    const name = measure.name === "thickness_rest" ? "rest" : measure.name === "lift_before" ? "lifted" : "contracted";
    const window = this.clip.window(name, Number(measure.repeat));
    return window ? Math.floor((window.first + window.last) / 2) : null;
  }

  goTo(measure) {
    this.player.stop();
    this.repeat = Number(measure.repeat) || this.repeat;
    if (this.layers.includes(measure.structure)) {
      this.takeEdge({ structure: measure.structure });
      this.hands.calliper = null;
    }
    this.go(this.middleOf(measure) ?? this.frame);
  }

  takeEdge(change) {
    this.hands.edge = { ...this.hands.edge, ...change };
    byId("edge").value = `${this.hands.edge.structure}/${this.hands.edge.side}`;
  }

  setEdge(change) {
    this.takeEdge(change);
    if (this.tool !== "edge") this.setTool("edge");
    else this.go(this.frame);
    announce(edgeWords(this.hands.edge));
  }

  nextLayer() {
    const next = this.layers[(this.layers.indexOf(this.hands.edge.structure) + 1) % this.layers.length];
    this.setEdge({ structure: next });
  }

  setTool(tool) {
    if (tool && this.isReadOnly()) return;
    this.player.stop();
    this.tool = tool;
    this.hands.tool = tool;
    for (const button of document.querySelectorAll("[data-tool]")) {
      button.setAttribute("aria-pressed", String(button.dataset.tool === tool));
    }
    byId("hints").hidden = !tool;
    byId("hint").textContent = tool ? say(`hint.${tool}`) : "";
    this.plots.open(tool === "windows");
    if (tool === "calliper") this.measureFor ??= null;
    this.showBar();
    this.go(this.frame);
  }

  // Calliper

  takeCalliper(measure) {
    this.measureFor = measure.key;
    this.hands.calliper = null;
    this.setTool("calliper");
  }

  showBar() {
    const bar = byId("bar");
    bar.hidden = this.tool !== "calliper";
    if (bar.hidden) return;
    const options = this.clip.shown.measures
      .filter((m) => m.is_measured && ["thickness_rest", "thickness_contracted"].includes(m.name))
      .map((m) => make("option", { value: m.key, text: this.numbers.name(m) }));
    const wanted = this.measureFor ?? this.measureHere()?.key;
    const choice = make("select", { id: "calliper-for", label: say("calliper.as") }, options);
    if (options.some((option) => option.value === wanted)) choice.value = wanted;
    const take = make("button", { type: "button", id: "calliper-take", text: say("calliper.take"), onclick: () => this.useCalliper(choice.value) });
    take.disabled = !this.clip.spacing || !options.length;
    bar.replaceChildren(make("output", { id: "calliper-says" }), choice, take);
    if (this.hands.calliper) this.showCalliper(this.hands.calliper, false);
  }

  /** Thickness of the layer in hand in the window on show. */
  measureHere() {
    const window = this.clip.shown.windows.find((w) => this.frame >= w.first && this.frame <= w.last);
    const name = window?.state === "rest" ? "thickness_rest" : "thickness_contracted";
    return this.clip.shown.measures.find((m) => m.name === name && m.repeat === String(window?.repeat)
      && m.structure === this.hands.edge.structure);
  }

  showCalliper([from, to], isFinal) {
    const far = this.clip.distance(from, to);
    const text = far === null ? say("calliper.no_scale") : withUnit(far, "mm");
    const output = byId("calliper-says");
    if (output) output.textContent = text;
    if (isFinal) announce(text);
  }

  async useCalliper(key) {
    const measure = this.clip.measure(key);
    if (!measure || !this.hands.calliper) return;
    const [from, to] = this.hands.calliper;
    this.measureFor = null;
    await this.correct({
      kind: "calliper", structure: measure.structure, repeat: Number(measure.repeat), frame: this.frame,
      state: measure.name === "thickness_rest" ? "rest" : "contracted",
      start: from, end: to,
    });
    this.setTool(null);
  }

  // Changes

  async correct(correction) {
    await this.safely(() => this.clip.correct(correction, byId("why").value.trim()));
  }

  async undo() {
    if (!this.clip.canUndo || this.isReadOnly()) return;
    await this.safely(() => this.clip.undo());
    announce(say("said.undone"));
  }

  async confirmAll() {
    const keys = this.numbers.open();
    if (!keys.length || !this.clip.isSeen || this.isReadOnly()) {
      announce(byId("why-not").textContent);
      return;
    }
    await this.correct({ kind: "confirm", keys });
    announce(say("said.confirmed_all", { number: keys.length }));
  }

  async leaveOut() {
    const repeats = this.clip.repeats.map((repeat) => [
      String(repeat), say(this.clip.isLeftOut(repeat) ? "leave.take_in" : "leave.repeat", { repeat })]);
    const reasons = ["not_done", "moved", "breathing", "poor", "other"].map((name) => [say(`leave.${name}`), say(`leave.${name}`)]);
    const told = await askFor(say("leave.title"), say("leave.words"), {
      repeat: { label: say("leave.which"), options: repeats },
      reason: { label: say("leave.reason"), options: reasons },
      more: { label: say("leave.more"), maxlength: 200 },
    }, say("leave.do"));
    if (!told) return;
    const repeat = Number(told.repeat);
    if (this.clip.isLeftOut(repeat)) await this.correct({ kind: "take_in", repeat });
    else await this.correct({ kind: "leave_out", repeat, reason: [told.reason, told.more.trim()].filter(Boolean).join(": ") });
  }

  async handOver() {
    try {
      const { label } = await tell(`/clips/${this.clip.number}/hand-over`, { frame: this.frame });
      this.trouble("");
      byId("why-not").textContent = say("numbers.handed_over", { label });
      announce(byId("why-not").textContent);
    } catch (error) {
      this.trouble(error.message);
    }
  }

  async askScale() {
    const correction = await calibrate(this.clip, this.tool === "calliper" ? this.hands.calliper : null);
    if (!correction) return;
    // The clip is measured anew, which takes as long as the first time.
    this.wait(say("stage.measuring"));
    await this.correct(correction);
    this.wait("");
  }

  /** Do something that changes numbers, then show all of them anew. */
  async safely(change) {
    try {
      const day = await change();
      this.hands.settle();
      this.showNumbers();
      this.plots.show(this.clip, this.frame);
      this.go(this.frame);
      this.refresh(day);
      this.trouble("");
    } catch (error) {
      this.hands.settle();
      this.plots.show(this.clip, this.frame);
      this.go(this.frame);
      this.trouble(error.message);
    }
  }
}
