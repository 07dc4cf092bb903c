// Draws the live picture with its edges, and the pair of columns: rest beside now.

const LINES = [
  { colour: "#f2e34c", dash: [2, 6] },
  { colour: "#e06a20", dash: [16, 5, 4, 5] },
  { colour: "#4fa8ea", dash: [14, 7] },
  { colour: "#ffd9ec", dash: [] },
  { colour: "#3fe0b0", dash: [] },
];
const RIM = "rgba(34, 37, 43, 0.55)";
const INK = "#22252b";
const FAINT = "#5a5f68";
const RULE = "#d6d1c4";
const NOW = "#4a1259";
const REST = "#9aa3ac";
const BAND = "#cfe8e1";
const BAND_EDGE = "#00574b";
// The columns reach a little beyond the band, share of its far edge.
const BEYOND = 1.35;

/** Split a message into its header and what follows. */
export function unpack(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  return { header, body: buffer.slice(4 + length) };
}

/** Edges from a message's body: their columns, and ten rows of places. */
export function edgesOf(body) {
  const all = new Float32Array(body);
  const count = all.length / 11;
  return { columns: all.subarray(0, count), rows: all, count };
}

/** Draw one picture, and on it the newest edges. */
export function drawPicture(canvas, bitmap, header, edges) {
  if (canvas.width !== header.columns || canvas.height !== header.rows) {
    canvas.width = header.columns;
    canvas.height = header.rows;
  }
  const pen = canvas.getContext("2d", { alpha: false });
  pen.drawImage(bitmap, 0, 0, header.columns, header.rows);
  if (edges) drawEdges(pen, edges, Math.max(1.5, header.columns / 320));
}

/** Draw each edge in its colour and pattern, on a dark rim that parts it from bright borders. */
function drawEdges(pen, edges, width) {
  for (let edge = 0; edge < 10; edge += 1) {
    const path = pathOf(edges, edge);
    const line = LINES[edge >> 1];
    pen.setLineDash(line.dash.map((part) => part * width * 0.5));
    pen.lineWidth = width + 2;
    pen.strokeStyle = RIM;
    pen.stroke(path);
    pen.lineWidth = width;
    pen.strokeStyle = line.colour;
    pen.stroke(path);
  }
  pen.setLineDash([]);
}

/** One edge as a path with gaps where it is not seen. */
function pathOf(edges, edge) {
  const start = (edge + 1) * edges.count;
  const path = new Path2D();
  let isDown = false;
  for (let i = 0; i < edges.count; i += 1) {
    const row = edges.rows[start + i];
    if (Number.isNaN(row)) {
      isDown = false;
    } else if (isDown) {
      path.lineTo(edges.columns[i], row);
    } else {
      path.moveTo(edges.columns[i], row);
      isDown = true;
    }
  }
  return path;
}

/** Fit a canvas to the size it is shown at; gives its pen, in CSS pixels. */
function fitted(canvas) {
  const { clientWidth: width, clientHeight: height } = canvas;
  const ratio = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
    canvas.width = Math.round(width * ratio);
    canvas.height = Math.round(height * ratio);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  return { pen, width, height };
}

/**
 * Draw rest beside now, at one scale from the same foot, with the band to be reached.
 *
 * `best` is the farthest change of the effort under way; `words` name the columns and the edges of
 * the band.
 */
export function drawColumns(canvas, state, best, words) {
  const { pen, width, height } = fitted(canvas);
  const isWall = state.view !== "bladder";
  const foot = height - 30;
  const reach = Math.max(Math.abs(state.low), Math.abs(state.high)) * BEYOND;
  // A thickness is drawn from zero on, so that heights compare; a way from rest has no zero.
  const zero = isWall ? 100 : state.low < 0 ? reach : reach * 0.25;
  const whole = isWall ? (state.low < 0 ? 112 : 100 + reach) : reach * 1.25;
  const at = (change) => foot - ((zero + change) / whole) * (foot - 8);
  const gap = 12;
  const half = (width - gap) / 2;
  pen.font = '16px "Source Sans 3", "Noto Sans", "DejaVu Sans", sans-serif';
  pen.textAlign = "center";
  // The band, with a line at both its edges.
  pen.fillStyle = BAND;
  pen.fillRect(half + gap - 6, at(state.high), half + 6, at(state.low) - at(state.high));
  pen.fillStyle = BAND_EDGE;
  pen.textAlign = "right";
  for (const name of ["low", "high"]) {
    pen.fillRect(half + gap - 6, at(state[name]) - 1, half + 6, 3);
    pen.fillText(words[name], half, at(state[name]) + 5);
  }
  pen.textAlign = "center";
  // Rest: hatched, because it stands still.
  block(pen, 0, at(0), half, isWall ? foot - at(0) : 6, REST);
  pen.fillStyle = FAINT;
  pen.fillRect(0, at(0) - 1, width, 2);
  if (state.change !== null) {
    const left = half + gap;
    pen.fillStyle = NOW;
    if (isWall) {
      const top = Math.max(2, at(state.change));
      pen.fillRect(left + half * 0.18, top, half * 0.64, foot - top);
    } else {
      const place = Math.min(Math.max(at(state.change), 4), foot - 4);
      pen.fillRect(left + half * 0.18, Math.min(place, at(0)), half * 0.64, Math.abs(place - at(0)));
      pen.fillRect(left, place - 5, half, 10);
    }
    if (best !== null) {
      pen.fillStyle = INK;
      pen.fillRect(left, Math.max(2, at(best)) - 1, half, 3);
    }
  }
  pen.fillStyle = RULE;
  pen.fillRect(0, foot, width, 2);
  pen.fillStyle = INK;
  pen.fillText(words.rest, half / 2, height - 8);
  pen.fillText(words.now, half + gap + half / 2, height - 8);
}

function block(pen, left, top, width, height, colour) {
  pen.save();
  pen.beginPath();
  pen.rect(left, top, width, height);
  pen.clip();
  pen.fillStyle = "#e9eef1";
  pen.fillRect(left, top, width, height);
  pen.strokeStyle = colour;
  pen.lineWidth = 2;
  pen.beginPath();
  for (let x = left - height; x < left + width; x += 9) {
    pen.moveTo(x, top + height);
    pen.lineTo(x + height, top);
  }
  pen.stroke();
  pen.restore();
}
