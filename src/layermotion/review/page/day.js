// The visit as a list of its clips: what each still needs, and where to begin.

import { ask, tell } from "/serving/server.js";
import { announce, dayWords, layer, make, measureName, say, titleOf, withUnit } from "./words.js";

const byId = (id) => document.getElementById(id);

export class DayScreen {
  /** `refresh` takes the state of the day; `trouble` a sentence; `open` a clip's number. */
  constructor({ refresh, trouble, open }) {
    this.open = open;
    this.refresh = refresh;
    this.trouble = trouble;
    byId("begin").addEventListener("submit", async (event) => {
      event.preventDefault();
      const form = new FormData(event.target);
      try {
        refresh(await tell("/begin", Object.fromEntries(form)));
        trouble("");
        announce(say("said.begun"));
        this.focusFirst();
      } catch (error) {
        trouble(error.message);
        ask("/day").then((answer) => answer.json()).then(refresh, () => {});
      }
    });
  }

  focusFirst() {
    byId("clips").querySelector("button:not(:disabled)")?.focus();
  }

  show(day) {
    const form = byId("begin");
    form.hidden = day.is_begun;
    byId("other-person").hidden = !day.is_other_person;
    if (!day.is_begun) {
      const { patient, day: dayOf } = form.elements;
      if (day.is_known) patient.value = day.patient;
      if (!dayOf.value || day.is_known) dayOf.value = day.day;
      patient.readOnly = day.is_known;
      dayOf.readOnly = day.is_known;
      dayOf.max = day.today;
      form.querySelector("button").disabled = !day.is_opened;
      form.querySelector("button").textContent = say(day.is_known ? "day.go_on" : "day.begin");
      byId("patients").replaceChildren(...day.patients.map((value) => make("option", { value })));
    }
    byId("day-words").textContent = this.words(day);
    const held = document.activeElement?.dataset?.clip;
    byId("clips").replaceChildren(...day.clips.map((clip) => this.row(clip, day)));
    if (held) byId("clips").querySelector(`[data-clip="${held}"]`)?.focus();
  }

  words(day) {
    if (day.not_written) return say("sign.not_written", { why: day.not_written });
    if (day.is_signed) return say("day.signed", { who: day.signed_by, when: dayWords(day.signed_at) });
    const waiting = day.clips.filter((clip) => ["waiting", "measuring"].includes(clip.stage)).length;
    if (waiting === day.clips.length) return say("day.measuring_all");
    if (waiting) return say("day.measuring", { number: waiting, of: day.clips.length });
    if (!day.why_not_sign.key) return say("day.all_confirmed");
    const left = day.clips.reduce((sum, clip) => sum + clip.to_confirm - clip.confirmed, 0);
    return say("day.left", { number: left });
  }

  /** Choice of the side of a clip of which nothing states one. */
  sides(clip, day) {
    if (!clip.can_choose_side || !day.is_begun || day.is_signed || clip.stage !== "ready") return [];
    const choice = make("select", {
      "data-side": clip.number, label: say("day.side_of", { title: titleOf(clip) }),
      onchange: (event) => this.choose(clip.number, event.target.value),
    }, [
      make("option", { value: "", text: say("day.side"), disabled: true }),
      ...["left", "right", "midline"].map((value) => make("option", { value, text: say(`day.side_${value}`) })),
    ]);
    choice.value = clip.side;
    return [" ", choice];
  }

  async choose(number, side) {
    try {
      this.refresh(await tell(`/clips/${number}/side`, { side }));
      this.trouble("");
      byId("clips").querySelector(`[data-side="${number}"]`)?.focus();
    } catch (error) {
      this.trouble(error.message);
    }
  }

  row(clip, day) {
    const isReady = clip.stage === "ready";
    const open = make("button", {
      type: "button", "data-clip": clip.number, disabled: !(isReady && day.is_begun),
      label: say("day.open_clip", { title: titleOf(clip) }), text: say("day.open"),
      onclick: () => this.open(clip.number),
    });
    const done = isReady ? say("day.of", { confirmed: clip.confirmed, of: clip.to_confirm }) : say(`stage.${clip.stage}`);
    const isDone = isReady && clip.confirmed === clip.to_confirm && clip.to_confirm > 0;
    return make("tr", { class: clip.missing.length || clip.problem ? "needs" : "" }, [
      make("th", { scope: "row", text: titleOf(clip) }, this.sides(clip, day)),
      make("td", {}, found(clip)),
      make("td", {}, needs(clip)),
      make("td", { class: isDone ? "done" : "" }, [isDone ? `\u2713 ${done}` : done]),
      make("td", {}, [open]),
    ]);
  }
}

/** The number of a clip that is asked for first, as far as it is known. */
function found(clip) {
  if (!clip.chief) return [];
  const { structure, name, value, unit, is_beyond: isBeyond } = clip.chief;
  if (name === "base_displacement" && !isBeyond) return [say("day.still")];
  if (name === "base_displacement") return [say(value < 0 ? "day.descended" : "day.lifted", { amount: withUnit(Math.abs(value), unit) })];
  return [make("b", { text: layer(structure) }), ` ${measureName(name)} `, make("b", { text: withUnit(value, unit) })];
}

/** What of a clip needs a person, in words. */
function needs(clip) {
  if (clip.problem) return [make("span", { class: "problem", text: clip.problem })];
  if (clip.stage !== "ready") return [];
  const cautions = !clip.cautions ? []
    : [clip.cautions === 1 ? say("day.caution") : say("day.cautions", { number: clip.cautions })];
  if (!clip.missing.length && !cautions.length) return [make("span", { class: "none", text: say("day.nothing") })];
  const groups = new Map();
  for (const { structure, name, repeat } of clip.missing) {
    const what = `${layer(structure)} ${measureName(name)}`;
    groups.set(what, [...(groups.get(what) ?? []), repeat]);
  }
  const missing = [...groups].map(([what, repeats]) => `${what} (${repeats.join(", ")})`);
  return [[...missing, ...cautions].join("; ")];
}
