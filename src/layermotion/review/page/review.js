// Begins the page: learns its words, keeps the state of the visit, and shows one screen at a time.

import { ask } from "/serving/server.js";
import { Bench } from "./bench.js";
import { CourseScreen } from "./course.js";
import { DayScreen } from "./day.js";
import { listen, showHelp } from "./keys.js";
import { SignScreen } from "./sign.js";
import { announce, dayWords, learn, say, titleOf } from "./words.js";

// How often the state is asked for while clips are being measured, ms.
const LOOK_MS = 700;
const SCREENS = ["day", "clip", "sign", "course"];
const byId = (id) => document.getElementById(id);

let day = null;
let shown = "";
let open = null;

await learn();
const trouble = (text) => {
  byId("trouble").textContent = text;
  byId("trouble").hidden = !text;
};
window.addEventListener("sessionended", () => trouble(say("trouble.ended")), { once: true });

const bench = new Bench({ refresh, trouble, isReadOnly: () => (day.is_signed && !day.is_amending) || !day.is_begun });
const signed = (now) => {
  refresh(now);
  if (now.is_writing || isMeasuring(now)) setTimeout(() => look().catch((error) => trouble(error.message)), LOOK_MS);
};
const screens = {
  day: new DayScreen({ refresh, trouble, open: (number) => go(`clip-${number}`) }),
  sign: new SignScreen({ refresh: signed, trouble }),
  course: new CourseScreen({ trouble }),
};

function go(place) {
  if (location.hash === `#${place}`) route();
  else location.hash = place;
}

/** Take the state of the visit, and show what it changes. */
function refresh(now) {
  const was = day;
  day = now;
  byId("of").textContent = now.patient ? say("head.of", { patient: now.patient, day: dayWords(now.day) }) : say("head.new");
  byId("seal").textContent = say(now.is_amending ? "seal.amending" : now.is_signed ? "seal.final" : "seal.draft");
  byId("hand-over").hidden = !now.has_lab;
  byId("seal").className = now.is_signed && !now.is_amending ? "seal final" : "seal";
  if (shown === "day" || shown === "sign") screens[shown].show(now);
  if (shown === "clip") placeInVisit();
  if (was && isMeasuring(was) && !isMeasuring(now)) announce(say("said.measured"));
}

const isMeasuring = (state) => !state.is_opened
  || state.clips.some((clip) => ["waiting", "measuring"].includes(clip.stage));

async function look() {
  refresh(await (await ask("/day")).json());
  if (isMeasuring(day) || day.is_writing) setTimeout(() => look().catch((error) => trouble(error.message)), LOOK_MS);
}

/** Clips that can be opened, in the order in which they are worked on. */
const ready = () => day.clips.filter((clip) => clip.stage === "ready");

function placeInVisit() {
  const own = ready();
  const at = own.findIndex((clip) => clip.number === open);
  byId("clip-count").textContent = say("clip.count", {
    confirmed: own[at]?.confirmed ?? 0, of: own[at]?.to_confirm ?? 0,
  });
}

/** Go to the next clip with something to confirm, else to the one that follows. */
function next(step) {
  const own = ready();
  const at = own.findIndex((clip) => clip.number === open);
  const around = own.map((_, k) => own[(at + step * (k + 1) + own.length * 2) % own.length]);
  const wanted = (step > 0 && around.find((clip) => clip.confirmed < clip.to_confirm && clip.number !== open)) || around[0];
  if (step > 0 && own.every((clip) => clip.confirmed >= clip.to_confirm)) go("sign");
  else if (wanted) go(`clip-${wanted.number}`);
}

async function route() {
  const [, name, number] = location.hash.match(/^#(\w+)(?:-(\d+))?$/) ?? [null, "day"];
  let wanted = SCREENS.includes(name) ? name : "day";
  const clip = wanted === "clip" ? day.clips.find((one) => one.number === Number(number)) : null;
  if (wanted === "clip" && (clip?.stage !== "ready" || !day.is_begun)) wanted = "day";
  shown = wanted;
  for (const screen of SCREENS) byId(screen).hidden = screen !== wanted;
  for (const screen of ["day", "course", "sign"]) {
    if (screen === wanted) byId(`to-${screen}`).setAttribute("aria-current", "page");
    else byId(`to-${screen}`).removeAttribute("aria-current");
  }
  trouble("");
  if (wanted === "clip") {
    open = clip.number;
    byId("clip-title").textContent = titleOf(clip);
    placeInVisit();
    try {
      await bench.open(clip.number, clip);
    } catch (error) {
      trouble(error.message);
    }
  } else {
    open = null;
    bench.close();
    await screens[wanted].show(day);
  }
  document.title = `${byId(`${wanted}-title`).textContent} \u2013 layermotion`;
  byId(`${wanted}-title`).focus({ preventScroll: true });
}

const ACTS = {
  day: () => go("day"), course: () => go("course"), sign: () => go("sign"), help: showHelp,
  after: () => (open === null ? ready().length && day.is_begun && go(`clip-${(ready().find((c) => c.confirmed < c.to_confirm) ?? ready()[0]).number}`) : next(1)),
  before: () => open !== null && next(-1),
};
const ON_BENCH = {
  play: () => bench.play(), step_on: () => bench.step(1), step_back: () => bench.step(-1),
  leap_on: () => bench.step(10), leap_back: () => bench.step(-10),
  rest: () => bench.toState("rest"), effort: () => bench.toState("contracted"),
  both: () => bench.toggleBoth(), nearer: () => bench.views.near(1.3), farther: () => bench.views.near(1 / 1.3),
  whole: () => bench.views.near(1 / 8), edge: () => bench.setTool(bench.tool === "edge" ? null : "edge"),
  other_edge: () => bench.setEdge({ side: bench.hands.edge.side === "deep" ? "superficial" : "deep" }),
  next_layer: () => bench.nextLayer(), site: () => bench.setTool(bench.tool === "site" ? null : "site"),
  windows: () => bench.setTool(bench.tool === "windows" ? null : "windows"),
  calliper: () => bench.setTool(bench.tool === "calliper" ? null : "calliper"), no_tool: () => bench.setTool(null),
  undo: () => bench.changes.undo(), confirm: () => bench.numbers.toggle(), confirm_all: () => bench.changes.confirmAll(),
  leave_out: () => bench.changes.leaveOut(),
};

listen((word) => {
  if (ACTS[word]) return ACTS[word]();
  return shown === "clip" && bench.clip && ON_BENCH[word] ? ON_BENCH[word]() : false;
});
byId("to-help").addEventListener("click", showHelp);
byId("after").addEventListener("click", () => next(1));
byId("before").addEventListener("click", () => next(-1));
window.addEventListener("hashchange", route);

try {
  await look();
  await route();
} catch (error) {
  trouble(error.message);
}
