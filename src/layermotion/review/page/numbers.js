// The numbers of a clip: what was measured, to confirm one by one, and what follows from it.

import { announce, layer, make, measureName, number, say, withUnit } from "./words.js";

const MARKS = { draft: "", needs_manual: "?", confirmed: "\u2713", corrected: "\u270e\u2713" };

export const isDone = (measure) => ["confirmed", "corrected"].includes(measure.status);

export class Numbers {
  /** `choose` is called with a measure; `tell` with a correction; `calliper` with a measure. */
  constructor({ choose, tell, calliper }) {
    this.measured = document.getElementById("measured");
    this.derived = document.getElementById("derived");
    this.cautions = document.getElementById("cautions");
    this.detail = document.getElementById("detail");
    this.choose = choose;
    this.tell = tell;
    this.calliper = calliper;
    this.chosen = null;
    this.measured.addEventListener("keydown", (event) => this.walk(event));
  }

  show(clip, isReadOnly) {
    this.clip = clip;
    this.isReadOnly = isReadOnly;
    const all = clip.shown.measures;
    if (!clip.measure(this.chosen)) this.chosen = this.firstDue(all)?.key ?? null;
    const hadFocus = this.measured.contains(document.activeElement);
    this.table(this.measured, all.filter((m) => m.is_measured), say("numbers.measured"), true);
    this.table(this.derived, all.filter((m) => !m.is_measured), say("numbers.derived"), false);
    const out = clip.shown.left_out.map((one) => say("numbers.left_out", one));
    this.cautions.replaceChildren(...[...out, ...clip.shown.cautions].map((text) => make("li", { text })));
    this.showDetail();
    if (hadFocus) this.measured.querySelector('button[tabindex="0"]')?.focus();
    this.measured.dataset.round = String(Number(this.measured.dataset.round ?? 0) + 1);
  }

  firstDue(all) {
    const own = all.filter((m) => m.is_measured && !isDone(m));
    return own.find((m) => m.needs_person) ?? own[0] ?? all.find((m) => m.is_measured);
  }

  table(table, measures, caption, isOpen) {
    const found = [...new Set(measures.map((m) => m.repeat))];
    const repeats = [...found.filter((repeat) => repeat !== "mean"), ...found.filter((repeat) => repeat === "mean")];
    const rows = new Map();
    for (const measure of measures) {
      const key = `${measure.structure}/${measure.name}/${measure.unit}`;
      rows.set(key, [...(rows.get(key) ?? []), measure]);
    }
    const heading = (repeat) => (repeat === "mean" ? say("numbers.mean") : repeat);
    const units = new Set(measures.map((m) => m.unit));
    const shared = units.size === 1 ? [...units][0] : null;
    const head = make("tr", {}, [
      make("th", { scope: "col", text: shared ? `${say("numbers.what")}, ${shared}` : say("numbers.what") }),
      ...repeats.map((repeat) => make("th", { scope: "col", text: heading(repeat) })),
    ]);
    const body = [...rows.values()].map((own) => {
      const [first] = own;
      const cells = repeats.map((repeat) => {
        const measure = own.find((m) => m.repeat === repeat);
        if (!measure) return make("td");
        return make("td", {}, [isOpen ? this.cell(measure) : this.plain(measure)]);
      });
      const name = make("th", { scope: "row" }, [
        make("b", { text: layer(first.structure), class: `of-${first.structure}` }),
        ` ${measureName(first.name)}`,
        make("span", { class: "unit", text: shared || first.unit === "ratio" ? "" : ` ${first.unit}` }),
      ]);
      return make("tr", {}, [name, ...cells]);
    });
    table.replaceChildren(
      make("caption", { text: caption }), make("thead", {}, [head]), make("tbody", {}, body));
    table.hidden = !rows.size;
  }

  cell(measure) {
    const value = measure.value === null ? "" : number(measure.value, measure.unit);
    return make("button", {
      type: "button", class: `value ${measure.status}`,
      "data-key": measure.key, "aria-pressed": String(measure.key === this.chosen),
      tabindex: measure.key === this.chosen ? 0 : -1, label: this.spoken(measure),
      onclick: () => this.pick(measure.key),
    }, [value, make("span", { class: "mark", text: MARKS[measure.status] })]);
  }

  plain(measure) {
    const text = measure.value === null ? "\u2013" : number(measure.value, measure.unit);
    return make("span", { text, title: measure.reason });
  }

  name(measure) {
    return say("numbers.name", {
      layer: layer(measure.structure), measure: measureName(measure.name), repeat: measure.repeat,
    });
  }

  spoken(measure) {
    const value = measure.value === null ? say("numbers.none") : withUnit(measure.value, measure.unit);
    return `${this.name(measure)}: ${value}, ${this.status(measure)}`;
  }

  status(measure) {
    return say(`status.${measure.status}`);
  }

  pick(key) {
    this.chosen = key;
    for (const button of this.measured.querySelectorAll("button")) {
      const isOwn = button.dataset.key === key;
      button.setAttribute("aria-pressed", String(isOwn));
      button.tabIndex = isOwn ? 0 : -1;
    }
    this.showDetail();
    this.choose(this.clip.measure(key));
  }

  walk(event) {
    const cell = event.target.closest("td");
    const steps = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] }[event.key];
    if (!cell || !steps) return;
    event.preventDefault();
    event.stopPropagation();
    const rows = [...this.measured.tBodies[0].rows];
    const row = rows[rows.indexOf(cell.parentElement) + steps[0]];
    const next = row?.cells[cell.cellIndex + steps[1]]?.querySelector("button");
    if (!next) return;
    this.pick(next.dataset.key);
    next.focus();
  }

  showDetail() {
    const measure = this.clip.measure(this.chosen);
    if (!measure) {
      this.detail.replaceChildren();
      return;
    }
    const parts = [make("h3", { text: this.name(measure) })];
    if (measure.value !== null) {
      const ends = { low: number(measure.low, measure.unit), high: number(measure.high, measure.unit) };
      parts.push(make("p", {}, [
        make("strong", { text: withUnit(measure.value, measure.unit) }),
        ` (${say("numbers.interval", ends)}), ${this.status(measure)}.`,
      ]));
    }
    if (measure.way && measure.value !== null) parts.push(make("p", { class: "note", text: say(`way.${measure.way}`) }));
    if (measure.reason) parts.push(make("p", { class: "reason", text: measure.reason }));
    const buttons = this.isReadOnly ? [] : this.buttons(measure);
    this.detail.replaceChildren(...parts, make("p", { class: "buttons" }, buttons));
  }

  buttons(measure) {
    const found = [];
    if (measure.value !== null) {
      const text = say(isDone(measure) ? "numbers.withdraw" : "numbers.confirm");
      found.push(make("button", { type: "button", id: "confirm-one", text, onclick: () => this.toggle() }));
    }
    if (["thickness_rest", "thickness_contracted"].includes(measure.name)) {
      const text = say("numbers.by_calliper");
      found.push(make("button", { type: "button", text, onclick: () => this.calliper(measure) }));
    }
    return found;
  }

  /** Confirm the chosen value, or take that back. */
  toggle() {
    const measure = this.clip?.measure(this.chosen);
    if (!measure || measure.value === null || this.isReadOnly) return;
    const kind = isDone(measure) ? "withdraw" : "confirm";
    announce(say(`said.${kind}`, { name: this.name(measure) }));
    this.tell({ kind, keys: [measure.key] });
  }

  /** Keys of all values that can be confirmed at once. */
  open() {
    return this.clip.shown.measures
      .filter((m) => m.is_measured && m.value !== null && !isDone(m))
      .map((m) => m.key);
  }
}
