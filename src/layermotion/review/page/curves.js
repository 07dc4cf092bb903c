// What the plots draw between their axes: the windows, and each quantity as a line with its name.

import { FOOT, INK, LEFT, PAPER, RULE } from "./axes.js";
import { layer, looks, say, state } from "./words.js";

const TINTS = { rest: "#e9eef1", contracted: "#f4dfc0", lifted: "#efe8dc", regained: "#efe8dc" };

/** Pairs of what the series hold: {name, lines}, the main one first. */
export function plotsOf(series) {
  const muscles = series.filter((q) => q.quantity === "thickness" && q.structure !== "fat");
  const groups = [
    ["thickness", muscles],
    ["base_displacement", series.filter((q) => q.quantity === "base_displacement")],
    ["slide", series.filter((q) => q.quantity === "slide")],
    ["medial_edge", series.filter((q) => q.quantity === "medial_edge")],
    ["fat", series.filter((q) => q.quantity === "thickness" && q.structure === "fat")],
    ["probe_shift", series.filter((q) => q.quantity === "probe_shift")],
  ];
  return groups
    .map(([name, lines]) => ({ name, lines: lines.filter((q) => q.value.some((v) => v !== null)) }))
    .filter((group) => group.lines.length);
}

/** Shade each window and name it; `held` is the one whose end is being moved, or null. */
export function drawWindows(pen, clip, held, scale, height) {
  pen.font = "14px sans-serif";
  pen.textBaseline = "top";
  for (const window of clip.shown.windows) {
    const own = held && held.window === window ? held : window;
    const from = scale.x(clip.times[own.first]);
    const to = scale.x(clip.times[own.last]);
    pen.fillStyle = TINTS[window.state];
    pen.fillRect(from, 0, to - from, height - FOOT);
    pen.strokeStyle = RULE;
    pen.strokeRect(from, 0.5, to - from, height - FOOT);
    pen.fillStyle = INK;
    const name = say("plot.window", { state: state(window.state), repeat: window.repeat });
    const short = to - from < pen.measureText(name).width + 6 ? String(window.repeat) : name;
    if (to - from > pen.measureText(short).width) pen.fillText(short, from + 3, 3);
  }
}

/** Draw the lines of one plot with gaps where nothing was measured, and write their names. */
export function drawLines(pen, group, times, scale) {
  pen.lineWidth = 2;
  for (const line of group.lines) {
    const look = looks[line.structure] ?? { paper: INK, pattern: [] };
    pen.strokeStyle = look.paper;
    pen.setLineDash(look.pattern);
    pen.beginPath();
    let isDown = false;
    line.value.forEach((value, k) => {
      if (value === null) {
        isDown = false;
        return;
      }
      const place = [times.x(times.times[k]), scale.y(value)];
      if (isDown) pen.lineTo(...place);
      else pen.moveTo(...place);
      isDown = true;
    });
    pen.stroke();
  }
  pen.setLineDash([]);
  nameLines(pen, group, scale);
}

/** Write the name of each line where it begins, one above the other where they are near. */
function nameLines(pen, group, scale) {
  const { top, height } = scale;
  pen.font = "bold 14px sans-serif";
  pen.strokeStyle = PAPER;
  pen.lineWidth = 4;
  pen.lineJoin = "round";
  const firsts = group.lines
    .map((line) => ({ line, at: scale.y(line.value.find((v) => v !== null)) }))
    .sort((a, b) => a.at - b.at);
  const written = [];
  firsts.forEach(({ line, at }, k) => {
    // Beneath the line where there is room, else above it.
    const place = at + 10 <= top + height - 8 ? Math.max(top + 8, at + 10) : at - 10;
    pen.fillStyle = looks[line.structure]?.paper ?? INK;
    const plain = ["thickness", "base_displacement", "probe_shift"].includes(group.name) ? layer(line.structure)
      : `${layer(line.structure)} ${say(`plot.${group.name}`)}`;
    // What is positive is said once, at the last name.
    const name = k === firsts.length - 1 ? plain + wayWords(group) : plain;
    // Beside another name that is as high.
    const near = written.filter((other) => Math.abs(other.place - place) < 15);
    const x = Math.max(LEFT + 6, ...near.map((other) => other.end + 10));
    // A rim of the paper's colour keeps it legible where another line runs through it.
    pen.strokeText(name, x, place);
    pen.fillText(name, x, place);
    written.push({ place, end: x + pen.measureText(name).width });
  });
}

/** What is positive, where a sign is a direction. */
const wayWords = ({ lines: [{ way }] }) => (way ? `, ${say(`way.${way}`)}` : "");

/** What is drawn, in words, for a reader who cannot see it. */
export const wordsOf = (groups) => groups
  .map((group) => `${say(`plot.${group.name}`)}: ${group.lines.map((q) => layer(q.structure)).join(", ")}${wayWords(group)}`)
  .join("; ");
