// Gives a clip its scale: from two points of the ruler on the screen, or from the depth of view.

import { askFor } from "./ask.js";
import { say } from "./words.js";

/** `points`: the two points of the calliper, or null. Gives a correction, or null. */
export async function calibrate(clip, points) {
  const ways = [["depth", say("scale.depth")]];
  if (points) ways.unshift(["points", say("scale.points")]);
  const told = await askFor(
    say("scale.title"), points ? say("scale.words") : say("scale.words_points"), {
      way: { label: say("scale.way"), options: ways },
      mm: { label: say("scale.mm"), type: "number", min: "1", max: "400", step: "0.1", required: true },
    }, say("scale.do"));
  if (!told) return null;
  const mm = Number(told.mm);
  const far = told.way === "points"
    ? Math.hypot(points[1][0] - points[0][0], points[1][1] - points[0][1]) : clip.rows;
  if (!(mm > 0) || !(far > 0)) return null;
  const how = told.way === "points" ? say("scale.how_points", { mm: told.mm }) : say("scale.how_depth", { mm: told.mm });
  return { kind: "calibrate", row_mm: mm / far, column_mm: mm / far, how };
}
