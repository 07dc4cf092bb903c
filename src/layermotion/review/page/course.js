// The course of each measure over all visits of a patient, and any two visits compared.

import { ask } from "/serving/server.js";
import { dayWords, layer, make, number, say, task, withUnit } from "./words.js";

const byId = (id) => document.getElementById(id);

export class CourseScreen {
  constructor({ trouble }) {
    this.trouble = trouble;
    for (const end of ["load", "error"]) {
      byId("chart").addEventListener(end, () => {
        byId("chart").style.visibility = "";
      });
    }
    byId("course-measure").addEventListener("change", () => this.showChart());
    for (const id of ["course-first", "course-second"]) {
      byId(id).addEventListener("change", () => this.compare());
    }
  }

  async show() {
    try {
      this.course = await (await ask("/course")).json();
    } catch (error) {
      this.trouble(error.message);
      return;
    }
    const { visits, charts, cautions } = this.course;
    byId("course-cautions").replaceChildren(...cautions.map((text) => make("li", { text })));
    const held = byId("course-measure").value;
    byId("course-measure").replaceChildren(...charts.map((chart, k) =>
      make("option", { value: k, text: nameOf(chart) })));
    if (charts[held]) byId("course-measure").value = held;
    else byId("course-measure").value = String(Math.max(0, charts.findIndex(isChief)));
    const days = visits.map((visit, k) => [k, dayWords(visit.day)]);
    for (const id of ["course-first", "course-second"]) {
      byId(id).replaceChildren(...days.map(([value, text]) => make("option", { value, text })));
    }
    byId("course-second").value = String(visits.length - 1);
    byId("course-choice").hidden = byId("course-scroll").hidden = !charts.length;
    this.showChart();
    await this.compare();
  }

  get chart() {
    return this.course.charts[Number(byId("course-measure").value)] ?? null;
  }

  showChart() {
    this.draw();
    const { chart } = this;
    byId("band-words").textContent = !chart ? ""
      : chart.source ? say("course.band", { source: chart.source }) : say("course.no_band");
    const head = ["day", "value", "interval", "signed", "words"];
    byId("course-table").replaceChildren(
      make("caption", { class: "spoken", text: chart ? nameOf(chart) : say("course.table") }),
      make("thead", {}, [make("tr", {}, head.map((key) => make("th", { scope: "col", text: say(`course.${key}`) })))]),
      make("tbody", {}, (chart?.points ?? []).map((point) => this.row(point, chart))));
  }

  row(point, chart) {
    const has = point.value !== null;
    return make("tr", {}, [
      make("th", { scope: "row", text: dayWords(point.day) }),
      make("td", { text: has ? withUnit(point.value, chart.unit) : "\u2013" }),
      make("td", { text: intervalOf(point, chart) }),
      make("td", { text: this.course.visits[point.visit].signed_by }),
      make("td", { text: point.words }),
    ]);
  }

  async compare() {
    const words = byId("course-words");
    const [first, second] = ["course-first", "course-second"].map((id) => Number(byId(id).value));
    const { visits } = this.course;
    if (visits.length < 2) {
      words.replaceChildren(say(visits.length ? "course.one" : "course.none"));
      return;
    }
    if (first === second) {
      words.replaceChildren(say("course.same"));
      return;
    }
    try {
      const found = await (await ask(`/course/${first}/${second}`)).json();
      const said = found.sentences.length ? found.sentences : [say("course.nothing")];
      words.replaceChildren(
        make("b", { text: say("course.between", { earlier: dayWords(found.earlier), now: dayWords(found.now) }) }),
        make("ul", {}, said.map((text) => make("li", { text }))));
    } catch (error) {
      words.replaceChildren(error.message);
    }
  }

  draw() {
    const picture = byId("chart");
    const { chart } = this;
    picture.hidden = !chart;
    if (!chart) return;
    // Until it is here, no other chart stands beside these values.
    picture.style.visibility = "hidden";
    picture.src = `/course/charts/${byId("course-measure").value}`;
    picture.alt = altOf(chart);
  }
}

/** What is looked at first: the change of the TrA, or the bladder base. */
const isChief = (chart) => (chart.measure === "thickness_change" && chart.structure === "tra" && chart.unit === "%")
  || chart.measure === "base_displacement";

/** What the picture shows, for a reader who cannot see it: each value with its day. */
function altOf(chart) {
  const points = chart.points.map((point) => say(point.value === null ? "course.point_none" : "course.point", {
    day: dayWords(point.day), value: point.value === null ? "" : withUnit(point.value, chart.unit), interval: intervalOf(point, chart),
  }));
  const beyond = chart.source ? ` ${say("course.beyond", { number: chart.points.filter((point) => point.is_beyond).length })}` : "";
  return `${nameOf(chart)}. ${points.join("; ")}.${beyond}`;
}

const intervalOf = ({ low, high }, { unit }) => (low === null ? ""
  : say("numbers.interval", { low: number(low, unit), high: number(high, unit) }));

function nameOf(chart) {
  const [first, then] = chart.task.split("-");
  const what = then ? `${task(first)} \u2013 ${task(then)}` : task(first);
  const side = ["left", "right"].includes(chart.side) ? `${say(`course.${chart.side}`)}, ` : "";
  const name = say(`chart.${chart.measure}`, { layer: layer(chart.structure) });
  const unit = chart.unit === "ratio" ? say("chart.ratio") : chart.unit;
  const words = `${side}${what}: ${name}, ${unit}${chart.way ? `, ${say(`way.${chart.way}`)}` : ""}`;
  return words[0].toUpperCase() + words.slice(1);
}
