// The clinician's live page: sockets in, drawing and words out, keys and buttons to the program.

import { Refused, connect, tell, texts } from "/serving/server.js";
import { drawColumns, drawPicture, edgesOf, unpack } from "/live/picture.js";
import { figure, showOutcome } from "/live/outcome.js";

const $ = (id) => document.getElementById(id);
const say = await texts("/texts");

// Numbers that are read change no more often than this, ms.
const NUMBER_MS = 250;
// A change smaller than this counts as none: per cent, mm, px.
const SAME = { "%": 2, mm: 0.3, px: 2 };
// A value that none has followed for so long is shown no longer, ms.
const STALE_MS = 4000;
// Rates are told over so long, ms.
const RATE_MS = 2000;

const fields = { low: "low", high: "high", hold: "hold-s", repeats: "repeats", count: "count-s", pause: "pause-s" };
let state = null;
let edges = null;
let best = null;
let isBusy = false;
let shownAt = 0;
// When the newest values came, by a clock that nobody sets.
let cameAt = 0;
const drawnAt = [];

/** How late the newest pictures and values were on the screen, ms; read by who measures it. */
window.lateness = { pictures: [], values: [] };
const LATENESS_KEPT = 20000;

function late(kind, at) {
  const kept = window.lateness[kind];
  kept.push(Date.now() - 1000 * at);
  if (kept.length > LATENESS_KEPT) kept.shift();
}

const frame = () => new Promise((resolve) => requestAnimationFrame(resolve));

/** Open a socket, hand each message on, and say when it was drawn; open it again when it breaks. */
function stream(path, take) {
  const socket = connect(path);
  socket.onmessage = async (event) => {
    try {
      await take(event.data);
    } finally {
      if (socket.readyState === WebSocket.OPEN) socket.send("drawn");
    }
  };
  socket.onclose = () => setTimeout(() => stream(path, take), 1000);
}

let lastPicture = Promise.resolve();

/** Unpack a picture at once, and draw it after the one before. */
function takePicture(data) {
  if (typeof data === "string") return Promise.resolve();
  const { header, body } = unpack(data);
  const bitmap = createImageBitmap(new Blob([body], { type: "image/jpeg" }));
  lastPicture = lastPicture.catch(() => {}).then(() => showPicture(header, bitmap));
  return lastPicture;
}

async function showPicture(header, coming) {
  const bitmap = await coming;
  if (!document.hidden) await frame();
  drawPicture($("picture"), bitmap, header, edges);
  bitmap.close();
  const now = performance.now();
  late("pictures", header.at);
  drawnAt.push(now);
  while (now - drawnAt[0] > RATE_MS) drawnAt.shift();
}

async function takeValues(data) {
  if (typeof data === "string") {
    showSituation(JSON.parse(data));
    if (state && performance.now() - cameAt > STALE_MS) forget();
    return;
  }
  const { header, body } = unpack(data);
  if (!document.hidden) await frame();
  edges = edgesOf(body);
  const before = state;
  state = header;
  cameAt = performance.now();
  if (!before || Object.keys(fields).some((name) => before[name] !== state[name])) showTarget();
  $("of-band").textContent = unit();
  follow(before);
  drawColumns($("columns"), state, best, {
    rest: say("rest.now"),
    now: say("live.now"),
    low: withUnit(state.low),
    high: withUnit(state.high),
  });
  showExercise(before);
  showSituation(state);
  const now = performance.now();
  if (now - shownAt > NUMBER_MS) {
    shownAt = now;
    showNumber();
  }
  late("values", header.at);
}

/** Take away what is no longer true. */
function forget() {
  edges = null;
  state.change = state.number = null;
  showNumber();
}

const isWall = () => state.view !== "bladder";
const unit = () => (isWall() ? "%" : state.unit);
const withUnit = (value) => `${figure(value, unit(), true)}\u00a0${unit()}`;
const figureOf = (value) => (value === null ? "\u2013" : figure(value, unit(), true));

/** Keep the farthest that this effort went. */
function follow(before) {
  if (state.phase !== "effort" || before?.phase !== "effort") best = null;
  if (state.phase !== "effort" || state.change === null) return;
  const sign = state.low > 0 ? 1 : -1;
  if (best === null || sign * state.change > sign * best) best = state.change;
}

function showNumber() {
  const kind = isWall() ? "wall" : "base";
  $("name").textContent = say(`${kind}.name`);
  const value = figureOf(state.number);
  $("value").textContent = value;
  $("number").dataset.length = value.length > 4 ? "longest" : value.length > 3 ? "long" : "short";
  $("number").classList.toggle("missing", state.number === null);
  $("unit").textContent = state.number === null ? "" : unit();
  const size = state.number === null ? null : Math.abs(state.number) < SAME[unit()] ? "same" : state.number > 0 ? "more" : "less";
  $("meaning").textContent = size ? say(`${kind}.${size}`) : "";
  $("absolute").textContent = absolute();
  $("reason").textContent = reason();
  $("rate").textContent = say("live.rate", {
    pictures: Math.round((drawnAt.length * 1000) / RATE_MS),
    values: Math.round(state.rate),
  });
}

function absolute() {
  if (!isWall()) return state.unit === "px" ? say("base.now_px") : "";
  if (state.unit === "px") return say("wall.now_px");
  if (state.number === null || state.restNow === null) return "";
  const now = state.restNow * (1 + state.number / 100);
  return say("wall.now", { now: figure(now, "mm"), rest: figure(state.restNow, "mm") });
}

function reason() {
  if (state.rest === "taking") return say("rest.taking", { left: Math.ceil(state.restLeft) });
  if (state.reason && state.reason !== "no_rest") return say(`reason.${state.reason}`);
  if (["failed", "moved", "missing"].includes(state.rest)) return say(`rest.${state.rest}`);
  return state.endHidden ? say("reason.end_hidden") : "";
}

function showExercise(before) {
  const key = state.phase === "effort" && !isWall() ? "effort_base" : state.phase;
  const words = say(`practice.${key}`);
  if ($("phase").textContent !== words) $("phase").textContent = words;
  $("exercise").dataset.phase = state.phase;
  $("left").textContent = state.left > 0 ? Math.ceil(state.left) : "";
  $("held").setAttribute("width", Math.min(100, (100 * state.held) / state.hold));
  $("seconds").textContent = say("practice.hold", { held: figure(state.held, "s"), hold: figure(state.hold, "s") });
  $("count").textContent = say("practice.repeats", { done: state.done, repeats: state.repeats });
  const isRunning = !["idle", "done"].includes(state.phase);
  $("goes").textContent = say(isRunning ? "practice.stop" : "practice.start");
  $("go").disabled = !isRunning && state.rest !== "taken";
  $("go").classList.toggle("chief", state.rest === "taken");
  $("rest").classList.toggle("chief", state.rest !== "taken");
}

function showSituation(now) {
  $("again").hidden = !now.ended;
  const said = now.error || (now.ended ? say("live.ended") : state ? "" : say("live.waiting"));
  $("said").textContent = said;
  $("over").hidden = said === "";
  $("cautions").textContent = now.cautions.join(" ");
  $("record").setAttribute("aria-pressed", String(now.recording));
  $("record").textContent = say(now.recording ? "record.end" : "record.begin");
  $("record").disabled = !now.recording && !$("consent").checked;
}

/** Fill in the target that is asked for. */
function showTarget() {
  for (const [name, id] of Object.entries(fields)) $(id).value = state[name];
}

/** Ask the program for something; what it refuses is said. */
async function ask(path, body) {
  $("wrong").textContent = "";
  try {
    return await tell(path, body);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (error.message) $("wrong").textContent = error.message;
    return undefined;
  }
}

async function freeze() {
  if (isBusy || !$("frozen").hidden) return;
  isBusy = true;
  $("doing").hidden = true;
  $("columns").hidden = true;
  $("frozen").hidden = false;
  $("outcome").textContent = say("freeze.measuring");
  $("go-on").disabled = true;
  const outcome = await ask("/freeze");
  if (outcome) showOutcome($("outcome"), outcome, say);
  else $("outcome").textContent = say("freeze.failed");
  $("go-on").disabled = false;
  $("go-on").focus();
  isBusy = false;
}

async function goOn() {
  if (isBusy) return;
  await ask("/go-on");
  $("frozen").hidden = true;
  $("doing").hidden = false;
  $("columns").hidden = false;
}

async function record() {
  if ($("record").getAttribute("aria-pressed") !== "true") {
    $("recorded").textContent = "";
    await ask("/record", { consent: $("consent").checked });
    return;
  }
  const saved = await ask("/keep");
  $("consent").checked = false; // asked for again each time
  if (saved) $("recorded").textContent = saved.name ? say("record.saved", saved) : say("record.nothing");
}

function setTarget(event) {
  event.preventDefault();
  const asked = {};
  for (const [name, id] of Object.entries(fields)) asked[name] = $(id).valueAsNumber;
  if (!(asked.low < asked.high) || asked.low * asked.high <= 0) {
    $("wrong").textContent = say("target.wrong");
    $("low").focus();
    return;
  }
  ask("/target", asked);
}

const actions = {
  r: () => ask("/rest"),
  s: () => !$("go").disabled && ask(["idle", "done"].includes(state?.phase) ? "/start" : "/stop"),
  f: freeze,
  g: () => (!$("frozen").hidden || !$("again").hidden) && goOn(),
};
$("rest").addEventListener("click", actions.r);
$("go").addEventListener("click", actions.s);
$("freeze").addEventListener("click", freeze);
$("again").addEventListener("click", goOn);
$("go-on").addEventListener("click", goOn);
$("consent").addEventListener("change", () => {
  $("record").disabled = !$("consent").checked && $("record").getAttribute("aria-pressed") !== "true";
});
$("record").addEventListener("click", record);
$("target").addEventListener("submit", setTarget);
window.addEventListener("keydown", (event) => {
  const isTyping = event.target instanceof HTMLInputElement && event.target.type === "number";
  if (isTyping || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  const action = actions[event.key.toLowerCase()];
  if (action) action();
});
window.addEventListener("sessionended", () => {
  $("wrong").textContent = say("live.session_ended");
});
stream("/pictures", takePicture);
stream("/values", takeValues);
