// Shows what was measured of a clip: the main number, all numbers, cautions. All of it is a draft.

const DECIMALS = { mm: 1, s: 1, "%": 0, px: 0 };

/** Write a number with a true minus sign, and a plus where the sign is a direction. */
export function figure(value, unit, isSigned = false) {
  const text = Math.abs(value).toFixed(DECIMALS[unit] ?? 2);
  const isZero = Number(text) === 0;
  const sign = isZero ? "" : value < 0 ? "\u2212" : isSigned ? "+" : "";
  return sign + text.replace(".", document.documentElement.lang === "de" ? "," : ".");
}

const unitOf = (unit) => (unit === "ratio" ? "" : `\u00a0${unit}`);

function element(name, text, className) {
  const made = document.createElement(name);
  if (text !== undefined) made.textContent = text;
  if (className) made.className = className;
  return made;
}

/** Words for a measure, with the way in which its value is positive. */
function wordsOf({ name, way, value }, say) {
  return way && value !== null ? `${say(`measure.${name}`)}, ${say(`way.${way}`)}` : say(`measure.${name}`);
}

/** Words for the main number of an outcome. */
export function chiefWords(outcome, say) {
  const chief = outcome.chief;
  if (!chief) return say("outcome.none");
  if (chief.value === null) return say("outcome.needs_person");
  return figure(chief.value, chief.unit, true) + unitOf(chief.unit);
}

/** Fill a place with an outcome. */
export function showOutcome(place, outcome, say) {
  place.replaceChildren();
  const chief = element("p", chiefWords(outcome, say), "chief-number");
  if (outcome.chief) {
    const { structure, reason, value } = outcome.chief;
    chief.classList.toggle("missing", value === null);
    const what = wordsOf(outcome.chief, say);
    const words = structure === "bladder" ? what : `${what}, ${say(`structure.${structure}`)}`;
    if (value !== null) chief.append(" ", element("span", say("live.draft"), "draft"));
    chief.append(element("small", words));
    place.append(chief);
    if (reason) place.append(element("p", reason));
  }
  const words = outcome.folder
    ? say("outcome.written", { folder: outcome.folder })
    : say("outcome.not_written");
  place.append(element("p", words));
  place.append(tableOf(outcome.measures.filter((measure) => measure.value !== null), say));
  showMissing(place, outcome.measures, say);
  if (outcome.cautions.length) {
    place.append(element("h3", say("outcome.cautions")));
    const list = element("ul");
    for (const caution of outcome.cautions) list.append(element("li", caution));
    place.append(list);
  }
}

function tableOf(measures, say) {
  const table = element("table");
  const head = element("tr");
  const names = ["measure", "structure", "repeat", "value", "interval"];
  for (const name of names) {
    const cell = element("th", say(`outcome.${name}`), names.indexOf(name) > 1 ? "figure" : "");
    cell.scope = "col";
    head.append(cell);
  }
  const top = element("thead");
  top.append(head);
  const body = element("tbody");
  for (const measure of measures) body.append(rowOf(measure, say));
  table.append(top, body);
  return table;
}

function rowOf(measure, say) {
  const { structure, value, low, high, unit } = measure;
  const row = element("tr");
  row.append(
    element("td", wordsOf(measure, say)),
    element("td", say(`structure.${structure}`)),
    element("td", measure.repeat === "mean" ? say("outcome.mean") : measure.repeat, "figure"),
    element("td", figure(value, unit) + unitOf(unit), "figure"),
    element("td", say("outcome.ends", { low: figure(low, unit), high: figure(high, unit) }), "figure"),
  );
  return row;
}

/** Say of what has no value why, each reason once. */
function showMissing(place, measures, say) {
  const byReason = new Map();
  for (const { name, structure, value, reason } of measures) {
    if (value !== null) continue;
    const words = `${say(`measure.${name}`)} (${say(`structure.${structure}`)})`;
    byReason.set(reason, (byReason.get(reason) ?? new Set()).add(words));
  }
  if (!byReason.size) return;
  place.append(element("h3", say("outcome.without")));
  const list = element("dl");
  for (const [reason, names] of byReason) {
    list.append(element("dt", [...names].join(", ")), element("dd", reason));
  }
  place.append(list);
}
