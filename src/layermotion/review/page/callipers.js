// The bar of the calliper: how far its points are apart, and which value that is taken for.

import { announce, make, say, withUnit } from "./words.js";

const byId = (id) => document.getElementById(id);

export class Callipers {
  constructor(bench) {
    this.bench = bench;
    this.measureFor = null;
  }

  take(measure) {
    this.measureFor = measure.key;
    this.bench.hands.calliper = null;
    this.bench.setTool("calliper");
  }

  show() {
    const bar = byId("bar");
    bar.hidden = this.bench.tool !== "calliper";
    if (bar.hidden) return;
    const options = this.bench.clip.shown.measures
      .filter((m) => m.is_measured && ["thickness_rest", "thickness_contracted"].includes(m.name))
      .map((m) => make("option", { value: m.key, text: this.bench.numbers.name(m) }));
    const wanted = this.measureFor ?? this.measureHere()?.key;
    const choice = make("select", { id: "calliper-for", label: say("calliper.as") }, options);
    if (options.some((option) => option.value === wanted)) choice.value = wanted;
    const take = make("button", { type: "button", id: "calliper-take", text: say("calliper.take"), onclick: () => this.use(choice.value) });
    take.disabled = !this.bench.clip.spacing || !options.length;
    bar.replaceChildren(make("output", { id: "calliper-says" }), choice, take);
    if (this.bench.hands.calliper) this.say(this.bench.hands.calliper, false);
  }

  /** Thickness of the layer in hand in the window on show. */
  measureHere() {
    const window = this.bench.clip.shown.windows.find((w) => this.bench.frame >= w.first && this.bench.frame <= w.last);
    const name = window?.state === "rest" ? "thickness_rest" : "thickness_contracted";
    return this.bench.clip.shown.measures.find((m) => m.name === name && m.repeat === String(window?.repeat)
      && m.structure === this.bench.hands.edge.structure);
  }

  say([from, to], isFinal) {
    const far = this.bench.clip.distance(from, to);
    const text = far === null ? say("calliper.no_scale") : withUnit(far, "mm");
    const output = byId("calliper-says");
    if (output) output.textContent = text;
    if (isFinal) announce(text);
  }

  async use(key) {
    const measure = this.bench.clip.measure(key);
    if (!measure || !this.bench.hands.calliper) return;
    const [from, to] = this.bench.hands.calliper;
    this.measureFor = null;
    await this.bench.changes.correct({
      kind: "calliper", structure: measure.structure, repeat: Number(measure.repeat), frame: this.bench.frame,
      state: measure.name === "thickness_rest" ? "rest" : "contracted",
      start: from, end: to,
    });
    this.bench.setTool(null);
  }
}
