// Draws one frame with its outlines, site and ruler, and says where a point of it is on the screen.

import { SIDES, STRUCTURES } from "./outline.js";

// Distance of the marks of the ruler, mm, and every how many of them is written.
const MARK_MM = 5;
const WRITTEN = 2;

/** What all panes share: how near the picture is, and which part is in the middle. */
export class Zoom {
  constructor() {
    this.reset();
  }

  reset() {
    this.factor = 1;
    this.middle = null;
  }

  /** Go nearer or farther, keeping a point [row, column] where it is. */
  by(factor, around, clip) {
    const next = Math.min(8, Math.max(1, this.factor * factor));
    const middle = this.middle ?? [clip.rows / 2, clip.columns / 2];
    const change = this.factor / next;
    this.middle = [0, 1].map((k) => around[k] + (middle[k] - around[k]) * change);
    this.factor = next;
    if (next === 1) this.middle = null;
  }
}

export class Pane {
  constructor(element, looks) {
    this.element = element;
    this.canvas = element.querySelector("canvas");
    this.over = element.querySelector(".over");
    this.tag = element.querySelector(".tag");
    this.looks = looks;
    this.frame = -1;
    this.preview = null;
  }

  /** Fit the canvas to its place on the screen. */
  fit() {
    const box = this.element.getBoundingClientRect();
    const dense = window.devicePixelRatio || 1;
    this.width = box.width;
    this.height = box.height;
    const [wide, high] = [Math.round(box.width * dense), Math.round(box.height * dense)];
    if (this.canvas.width !== wide || this.canvas.height !== high) {
      this.canvas.width = wide;
      this.canvas.height = high;
    }
    this.dense = dense;
  }

  /** Set the scale: pixels of the screen for each row and column of the picture. */
  scaleTo(clip, zoom) {
    const high = clip.spacing ? clip.spacing.row_mm : 1;
    const wide = clip.spacing ? clip.spacing.column_mm : 1;
    const fit = Math.min(this.width / (clip.columns * wide), this.height / (clip.rows * high));
    this.perRow = fit * high * zoom.factor;
    this.perColumn = fit * wide * zoom.factor;
    const [row, column] = zoom.middle ?? [clip.rows / 2, clip.columns / 2];
    this.top = this.height / 2 - row * this.perRow;
    this.left = this.width / 2 - column * this.perColumn;
  }

  /** Place on the screen of the middle of a pixel. */
  onScreen(row, column) {
    return [this.left + (column + 0.5) * this.perColumn, this.top + (row + 0.5) * this.perRow];
  }

  /** Point [row, column] of the picture under a place of the screen. */
  inPicture(x, y) {
    return [(y - this.top) / this.perRow - 0.5, (x - this.left) / this.perColumn - 0.5];
  }

  /** Draw a frame; `chosen` is the edge in hand: {structure, side}, or null. */
  draw(bitmap, frame, clip, zoom, chosen) {
    this.scaleTo(clip, zoom);
    const pen = this.canvas.getContext("2d", { alpha: false });
    pen.setTransform(this.dense, 0, 0, this.dense, 0, 0);
    pen.fillStyle = "#17191c";
    pen.fillRect(0, 0, this.width, this.height);
    pen.drawImage(bitmap, this.left, this.top, clip.columns * this.perColumn, clip.rows * this.perRow);
    this.drawEdges(pen, frame, clip, chosen);
    this.drawSite(pen, clip);
    if (clip.spacing) this.drawRuler(pen, clip);
    this.frame = frame;
    this.canvas.dataset.frame = String(frame);
  }

  drawEdges(pen, frame, clip, chosen) {
    pen.lineJoin = "round";
    for (const structure of STRUCTURES) {
      const look = this.looks[structure];
      for (const side of SIDES) {
        const isChosen = chosen?.structure === structure && chosen?.side === side;
        const rows = isChosen && this.preview ? this.preview : clip.outlines.edge(frame, structure, side);
        const line = new Path2D();
        let isDown = false;
        for (let k = 0; k < rows.length; k += 1) {
          if (!Number.isFinite(rows[k])) {
            isDown = false;
            continue;
          }
          const [x, y] = this.onScreen(rows[k], clip.outlines.columns[k]);
          if (isDown) line.lineTo(x, y);
          else line.moveTo(x, y);
          isDown = true;
        }
        pen.setLineDash([]);
        pen.strokeStyle = "rgba(0, 0, 0, 0.4)";
        pen.lineWidth = isChosen ? 5 : 3;
        pen.stroke(line);
        pen.setLineDash(isChosen ? [] : look.pattern);
        pen.strokeStyle = look.image;
        pen.lineWidth = isChosen ? 2.6 : 1.6;
        pen.stroke(line);
      }
    }
    pen.setLineDash([]);
  }

  drawSite(pen, clip) {
    const at = this.site ?? clip.site;
    if (at === null) return;
    const [x] = this.onScreen(0, at);
    pen.strokeStyle = "rgba(255, 255, 255, 0.75)";
    pen.lineWidth = 1;
    pen.setLineDash([3, 5]);
    pen.beginPath();
    pen.moveTo(x, 0);
    pen.lineTo(x, this.height);
    pen.stroke();
    pen.setLineDash([]);
  }

  drawRuler(pen, clip) {
    pen.fillStyle = "#f3f1ea";
    pen.strokeStyle = "#f3f1ea";
    pen.font = "13px sans-serif";
    pen.textBaseline = "middle";
    const x = Math.max(this.left, 0) + 3;
    const step = MARK_MM / clip.spacing.row_mm;
    for (let n = 0; n * step < clip.rows; n += 1) {
      const y = this.top + n * step * this.perRow;
      if (y < 6 || y > this.height - 6) continue;
      const isWritten = n % WRITTEN === 0;
      pen.beginPath();
      pen.moveTo(x, y);
      pen.lineTo(x + (isWritten ? 9 : 5), y);
      pen.stroke();
      if (isWritten) pen.fillText(`${(n * MARK_MM) / 10}`, x + 12, y);
    }
  }
}
