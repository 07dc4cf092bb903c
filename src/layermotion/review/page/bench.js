// The clip on the bench: puts pictures, plots, numbers and tools together, in step with each other.

import { Callipers } from "./callipers.js";
import { Changes } from "./changes.js";
import { Clip } from "./clip.js";
import { Hands } from "./hands.js";
import { Numbers } from "./numbers.js";
import { SIDES, STRUCTURES } from "./outline.js";
import { Player } from "./player.js";
import { Plots } from "./plots.js";
import { NEARER, Views } from "./views.js";
import { announce, layer, make, say, titleOf } from "./words.js";

const edgeWords = ({ structure, side }) => say("tool.edge_of", { layer: layer(structure), edge: say(`tool.${side}`) });
const byId = (id) => document.getElementById(id);

export class Bench {
  /** `refresh` takes the state of the day; `trouble` a sentence; `isReadOnly` tells of the visit. */
  constructor({ refresh, trouble, isReadOnly }) {
    this.refresh = refresh;
    this.trouble = trouble;
    this.isReadOnly = isReadOnly;
    this.frame = 0;
    this.views = new Views(this);
    this.changes = new Changes(this);
    this.callipers = new Callipers(this);
    this.isBoth = true;
    this.player = new Player((frame) => this.go(frame));
    this.plots = new Plots(byId("plots"), byId("second"), {
      tell: (correction) => this.changes.correct(correction), go: (frame) => this.go(frame),
    });
    this.numbers = new Numbers({
      choose: (measure) => this.goTo(measure),
      tell: (correction) => this.changes.correct(correction),
      calliper: (measure) => this.callipers.take(measure),
    });
    this.hands = new Hands({
      tell: (correction) => this.changes.correct(correction), draw: () => this.views.drawActive(),
      measured: (points, isFinal) => this.callipers.say(points, isFinal),
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
    byId("nearer").addEventListener("click", () => this.views.near(NEARER));
    byId("farther").addEventListener("click", () => this.views.near(1 / NEARER));
    byId("scale").addEventListener("click", () => this.changes.askScale());
    byId("undo").addEventListener("click", () => this.changes.undo());
    byId("confirm-all").addEventListener("click", () => this.changes.confirmAll());
    byId("hand-over").addEventListener("click", () => this.changes.handOver());
    byId("leave-out").addEventListener("click", () => this.changes.leaveOut());
    byId("edge").addEventListener("change", (event) => {
      const [structure, side] = event.target.value.split("/");
      this.setEdge({ structure, side });
    });
    for (const button of document.querySelectorAll("[data-tool]")) {
      button.addEventListener("click", () => this.setTool(this.tool === button.dataset.tool ? null : button.dataset.tool));
    }
    for (const pane of this.views.panes) {
      pane.element.addEventListener("wheel", (event) => this.views.wheel(event, pane), { passive: false });
      pane.canvas.addEventListener("pointerdown", (event) => this.views.press(event, pane));
    }
    new ResizeObserver(() => this.clip && this.fit()).observe(byId("pictures"));
  }

  async open(number, summary) {
    this.player.stop();
    this.clip?.close();
    this.clip = null;
    this.wait(say("clip.loading"));
    for (const pane of this.views.panes) delete pane.canvas.dataset.frame;
    const wanted = Symbol();
    this.wanted = wanted;
    const clip = await Clip.open(number);
    // Somebody went elsewhere meanwhile.
    if (this.wanted !== wanted) return clip.close();
    this.clip = clip;
    this.summary = summary;
    this.views.zoom.reset();
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
    this.wanted = null;
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
    const [rest, effort] = this.views.panes;
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

  go(frame) {
    if (!this.clip) return;
    this.frame = Math.min(Math.max(frame, 0), this.clip.count - 1);
    byId("scrub").value = String(this.frame);
    this.views.show();
  }

  async tellSeen() {
    this.clip.isSeen = true;
    await this.changes.safely(() => this.clip.tellSeen());
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
    this.callipers.show();
    this.go(this.frame);
  }
}
