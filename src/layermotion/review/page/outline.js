// The edges of a clip as numbers: where they lie, how a handle moves them. Draws nothing.

/** Structures in the order of the buffer, two edges each. */
export const STRUCTURES = ["fat", "eo", "io", "tra", "bladder"];
export const SIDES = ["superficial", "deep"];
export const HANDLES = 5;
// Part of the edge that lies beyond the first and the last handle, of its length.
const BEYOND = 0.08;
// Points sent of each side of a moved handle.
const POINTS = 8;

export class Outlines {
  /** `values`: Float32Array of shape (frames, 10, columns), rows in px of the image area. */
  constructor(values, columns) {
    this.values = values;
    this.columns = columns;
    this.size = columns.length;
  }

  /** Rows of one edge in one frame; a view, not a copy. */
  edge(frame, structure, side) {
    const k = 2 * STRUCTURES.indexOf(structure) + SIDES.indexOf(side);
    const start = (frame * 10 + k) * this.size;
    return this.values.subarray(start, start + this.size);
  }

  has(frame, structure) {
    return this.edge(frame, structure, "superficial").some(Number.isFinite);
  }

  /** Take new rows of all edges in consecutive frames. */
  renew({ first, rows }) {
    const text = atob(rows);
    const bytes = new Uint8Array(text.length);
    for (let k = 0; k < text.length; k += 1) bytes[k] = text.charCodeAt(k);
    this.values.set(new Float32Array(bytes.buffer), first * 10 * this.size);
  }
}

/** Row of an edge at a column, between its two neighbours; NaN where there is none. */
export function rowAt(rows, columns, column) {
  if (!(column >= columns[0] && column <= columns[columns.length - 1])) return NaN;
  let k = 1;
  while (k < columns.length - 1 && columns[k] < column) k += 1;
  const share = (column - columns[k - 1]) / (columns[k] - columns[k - 1]);
  return rows[k - 1] + share * (rows[k] - rows[k - 1]);
}

/** First and last column at which an edge is known; null where it is nowhere. */
export function extent(rows, columns) {
  const first = rows.findIndex(Number.isFinite);
  if (first < 0) return null;
  let last = rows.length - 1;
  while (!Number.isFinite(rows[last])) last -= 1;
  return [columns[first], columns[last]];
}

/** Handles of an edge, [{column, row}]; the one nearest to the site stands at the site. */
export function handlesOf(rows, columns, site) {
  const ends = extent(rows, columns);
  if (!ends) return [];
  const [low, high] = ends;
  const margin = BEYOND * (high - low);
  const places = [];
  for (let k = 0; k < HANDLES; k += 1) {
    places.push(low + margin + (k / (HANDLES - 1)) * (high - low - 2 * margin));
  }
  if (site !== null && site > low && site < high) {
    const near = places.reduce((best, at, k) =>
      (Math.abs(at - site) < Math.abs(places[best] - site) ? k : best), 0);
    places[near] = site;
  }
  return places
    .map((column) => ({ column, row: rowAt(rows, columns, column) }))
    .filter((handle) => Number.isFinite(handle.row));
}

/** How far a point beside a moved handle goes with it, 0 to 1: less and less, to its neighbours. */
function share(handles, k, column) {
  const own = handles[k].column;
  const other = handles[column < own ? k - 1 : k + 1];
  if (!other) return 1;
  const far = Math.abs(column - own) / Math.abs(other.column - own);
  return far >= 1 ? 0 : 0.5 * (1 + Math.cos(Math.PI * far));
}

/** Rows of an edge of which a handle was moved down by some rows. */
export function moved(rows, columns, handles, k, down) {
  return rows.map((row, at) => row + down * share(handles, k, columns[at]));
}

/** What is told of a moved handle: the new edge from one neighbour to the other. */
export function correctionOf(rows, columns, handles, k, down) {
  const [low, high] = extent(rows, columns);
  const from = handles[k - 1]?.column ?? low;
  const to = handles[k + 1]?.column ?? high;
  const own = handles[k].column;
  const places = [];
  for (let n = 0; n < POINTS; n += 1) places.push(from + (n / POINTS) * (own - from));
  for (let n = 0; n <= POINTS; n += 1) places.push(own + (n / POINTS) * (to - own));
  const known = places
    .filter((column, n) => n === 0 || column > places[n - 1])
    .map((column) => ({ column, row: rowAt(rows, columns, column) + down * share(handles, k, column) }))
    .filter((point) => Number.isFinite(point.row));
  return { column_px: known.map((p) => p.column), row_px: known.map((p) => p.row) };
}
