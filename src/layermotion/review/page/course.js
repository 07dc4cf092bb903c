// The course of each measure over all visits of a patient, and any two visits compared.

import { ask } from "/serving/server.js";
import { marks } from "./plots.js";
import { layer, looks, make, measureName, number, say, task, unitOf, withUnit } from "./words.js";

const byId = (id) => document.getElementById(id);
const LEFT = 64;
const RIGHT = 40;
const TOP = 18;
const FOOT = 34;
const INK = "#22252b";
const FAINT = "#5a5f68";
const BAND = "#e9eef1";

export class CourseScreen {
  constructor({ trouble }) {
    this.trouble = trouble;
    byId("course-measure").addEventListener("change", () => this.showChart());
    for (const id of ["course-first", "course-second"]) {
      byId(id).addEventListener("change", () => this.compare());
    }
    new ResizeObserver(() => this.course && this.draw()).observe(byId("chart"));
  }

  async show() {
    try {
      this.course = await (await ask("/course")).json();
    } catch (error) {
      this.trouble(error.message);
      return;
    }
    const { visits, charts } = this.course;
    const held = byId("course-measure").value;
    byId("course-measure").replaceChildren(...charts.map((chart, k) =>
      make("option", { value: k, text: nameOf(chart) })));
    if (charts[held]) byId("course-measure").value = held;
    else byId("course-measure").value = String(Math.max(0, charts.findIndex(isChief)));
    const days = visits.map((visit, k) => [k, visit.day]);
    for (const id of ["course-first", "course-second"]) {
      byId(id).replaceChildren(...days.map(([value, text]) => make("option", { value, text })));
    }
    byId("course-second").value = String(visits.length - 1);
    for (const control of byId("course").querySelectorAll("select")) control.disabled = !charts.length;
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
      make("th", { scope: "row", text: point.day }),
      make("td", { text: has ? withUnit(point.value, chart.unit) : "\u2013" }),
      make("td", { text: has ? say("numbers.interval", { low: number(point.low, chart.unit), high: number(point.high, chart.unit) }) : "" }),
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
        make("b", { text: say("course.between", { earlier: found.earlier, now: found.now }) }),
        make("ul", {}, said.map((text) => make("li", { text }))));
    } catch (error) {
      words.replaceChildren(error.message);
    }
  }

  draw() {
    const place = byId("chart");
    const { chart } = this;
    place.hidden = !chart;
    if (!chart) return;
    const canvas = place.querySelector("canvas");
    const box = place.getBoundingClientRect();
    const dense = window.devicePixelRatio || 1;
    canvas.width = Math.round(box.width * dense);
    canvas.height = Math.round(box.height * dense);
    const pen = canvas.getContext("2d");
    pen.setTransform(dense, 0, 0, dense, 0, 0);
    pen.fillStyle = "#ffffff";
    pen.fillRect(0, 0, box.width, box.height);
    const points = chart.points.filter((point) => point.value !== null);
    canvas.setAttribute("aria-label", `${say("course.chart", { name: nameOf(chart), number: points.length })} ${
      points.map((p) => `${p.day}: ${withUnit(p.value, chart.unit)}`).join("; ")}`);
    drawPoints(pen, box, chart, points);
  }
}

/** What is looked at first: the change of the TrA, or the bladder base. */
const isChief = (chart) => (chart.measure === "thickness_change" && chart.structure === "tra" && chart.unit === "%")
  || chart.measure === "base_displacement";

function nameOf(chart) {
  const [first, then] = chart.task.split("-");
  const what = then ? `${task(first)} \u2013 ${task(then)}` : task(first);
  const side = ["left", "right", "left-right"].includes(chart.side) ? `${say(`course.${chart.side.replace("-", "_")}`)}, ` : "";
  return `${side}${what}: ${layer(chart.structure)} ${measureName(chart.measure)}${unitOf(chart.unit)}`;
}

function drawPoints(pen, { width, height }, chart, points) {
  const days = points.map((point) => Date.parse(point.day));
  const detectable = Math.max(0, ...points.map((point) => point.detectable ?? 0));
  const ends = points.flatMap((p) => [p.low, p.high]).concat([chart.first - detectable, chart.first + detectable]);
  if (chart.measure !== "contraction_ratio") ends.push(0);
  const [low, high] = [Math.min(...ends), Math.max(...ends)];
  const pad = 0.06 * (high - low || 1);
  const y = (value) => TOP + (1 - (value - low + pad) / (high - low + 2 * pad)) * (height - TOP - FOOT);
  const span = days[days.length - 1] - days[0];
  const x = (day) => (span ? LEFT + 50 + ((day - days[0]) / span) * (width - LEFT - RIGHT - 100) : (LEFT + width) / 2);
  if (detectable) {
    pen.fillStyle = BAND;
    pen.fillRect(LEFT, y(chart.first + detectable), width - LEFT - RIGHT, y(chart.first - detectable) - y(chart.first + detectable));
  }
  pen.font = "15px sans-serif";
  pen.textBaseline = "middle";
  drawScale(pen, low - pad, high + pad, y, width, chart.unit);
  pen.strokeStyle = looks[chart.structure]?.paper ?? INK;
  pen.fillStyle = pen.strokeStyle;
  pen.lineWidth = 2;
  pen.beginPath();
  points.forEach((point, k) => pen[k ? "lineTo" : "moveTo"](x(days[k]), y(point.value)));
  pen.stroke();
  points.forEach((point, k) => {
    pen.beginPath();
    pen.moveTo(x(days[k]), y(point.low));
    pen.lineTo(x(days[k]), y(point.high));
    pen.stroke();
    pen.beginPath();
    pen.arc(x(days[k]), y(point.value), point.is_beyond ? 8 : 6, 0, 7);
    pen.fillStyle = point.is_beyond ? pen.strokeStyle : "#ffffff";
    pen.fill();
    pen.stroke();
    pen.fillStyle = INK;
    pen.fillText(number(point.value, chart.unit), x(days[k]) + 13, y(point.value) - 12);
    pen.textAlign = "center";
    pen.fillText(point.day, x(days[k]), height - FOOT / 2);
    pen.textAlign = "left";
  });
}

function drawScale(pen, low, high, y, width, unit) {
  pen.textAlign = "right";
  pen.lineWidth = 1;
  for (const value of marks(low, high, 4)) {
    pen.strokeStyle = value === 0 ? FAINT : "#d6d1c4";
    pen.beginPath();
    pen.moveTo(LEFT, y(value));
    pen.lineTo(width - RIGHT, y(value));
    pen.stroke();
    pen.fillStyle = FAINT;
    pen.fillText(`${+value.toFixed(2)}${unitOf(unit)}`, LEFT - 6, y(value));
  }
  pen.textAlign = "left";
}
