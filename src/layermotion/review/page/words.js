// Says things in the language of the reader: texts, numbers, names of measures and places.

import { ask, texts } from "/serving/server.js";

export let say = (key) => key;
/** How each structure looks, and which words are short for it. */
export let looks = {};

export async function learn() {
  const [spoken, seen] = await Promise.all([texts("/texts"), ask("/looks")]);
  say = spoken;
  looks = await seen.json();
}

const DECIMALS = { mm: 1, s: 1, "%": 0, ratio: 2, px: 0 };

// Making a format takes far longer than using it.
const formats = new Map();

/** A number with as many digits as can mean anything; a true minus sign. */
export function number(value, unit) {
  const digits = DECIMALS[unit] ?? 2;
  if (!formats.has(digits)) {
    formats.set(digits, new Intl.NumberFormat(document.documentElement.lang, {
      minimumFractionDigits: digits, maximumFractionDigits: digits, signDisplay: "negative",
    }));
  }
  return formats.get(digits).format(value).replace("-", "\u2212");
}

/** A number beside a mark of an axis: as short as it is exact. */
export const markWords = (value) => new Intl.NumberFormat(document.documentElement.lang, {
  maximumSignificantDigits: 4, useGrouping: false, signDisplay: "negative",
}).format(value).replace("-", "\u2212");

/** A day as the reader writes it. */
export const dayWords = (day) => new Intl.DateTimeFormat(document.documentElement.lang, { dateStyle: "medium", timeZone: "UTC" })
  .format(new Date(`${day.slice(0, 10)}T00:00:00Z`));

export const unitOf = (unit) => (unit === "ratio" ? "" : `\u202f${unit}`);

export const withUnit = (value, unit) => `${number(value, unit)}${unitOf(unit)}`;

export const layer = (structure) => say(`layer.${structure}`);

export const task = (name) => say(`task.${name ?? "unstated"}`);

export const measureName = (name) => say(`measure.${name}`);

/** Title of a clip, such as "Left, draw-in, 1". */
export function titleOf(clip) {
  return say(`side.${clip.side || "unstated"}`, { task: task(clip.task), number: clip.repeat });
}

export const state = (name) => say(`state.${name}`);

let spoken = null;

/** Tell who cannot see it what has changed. */
export function announce(text) {
  spoken ??= document.getElementById("spoken");
  spoken.textContent = "";
  requestAnimationFrame(() => {
    spoken.textContent = text;
  });
}

/** Make an element with a text, attributes and children. */
export function make(name, { text, label, ...rest } = {}, children = []) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (label !== undefined) made.setAttribute("aria-label", label);
  for (const [key, value] of Object.entries(rest)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null) made.setAttribute(key, value);
  }
  made.append(...children);
  return made;
}
