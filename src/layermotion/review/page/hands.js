// What can be moved on the picture: handles of an edge, the site, the points of a calliper.

import { correctionOf, handlesOf, moved } from "./outline.js";
import { announce, layer, make, number, say, withUnit } from "./words.js";

// Keys: how far one press moves a point, in px of the image area; with Shift.
const STEP = 1;
const LEAP = 5;
// What keys moved is sent when no key came for so long, ms.
const REST_OF_KEYS_MS = 350;
const ARROWS = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] };

export class Hands {
  /** `tell` gets corrections, `draw` asks for the picture anew, `measured` gets the calliper. */
  constructor({ tell, draw, measured }) {
    this.tell = tell;
    this.draw = draw;
    this.measured = measured;
    this.tool = null;
    this.edge = { structure: "tra", side: "deep" };
    this.calliper = null;
    this.pane = null;
  }

  /** The edge that is drawn as chosen; null unless edges are moved. */
  get chosen() {
    return this.tool === "edge" ? this.edge : null;
  }

  /** Make what can be moved for a pane that shows a frame. */
  lay(pane, clip, frame) {
    if (this.isMoving) return;
    const focused = document.activeElement?.dataset?.hand;
    if (this.pane && this.pane !== pane) this.pane.over.replaceChildren();
    [this.pane, this.clip, this.frame] = [pane, clip, frame];
    this.hands = this.tool === "edge" ? this.edgeHands()
      : this.tool === "site" ? this.siteHand()
        : this.tool === "calliper" ? this.calliperHands() : [];
    pane.over.replaceChildren(...this.hands.map((hand) => hand.button));
    this.place();
    if (focused) pane.over.querySelector(`[data-hand="${focused}"]`)?.focus();
  }

  place() {
    for (const hand of this.hands ?? []) {
      const [x, y] = this.pane.onScreen(hand.row, hand.column);
      hand.button.style.left = `${x}px`;
      hand.button.style.top = `${hand.isSite ? this.pane.height - 16 : y}px`;
    }
  }

  edgeHands() {
    const rows = this.clip.outlines.edge(this.frame, this.edge.structure, this.edge.side);
    const { columns } = this.clip.outlines;
    this.rows = rows;
    this.handles = handlesOf(rows, columns, this.clip.site);
    return this.handles.map((handle, k) => this.hand({
      ...handle, name: `edge-${k}`, kind: "handle", label: this.edgeWords(handle, k),
      move: (hand, row) => {
        hand.row = Math.min(Math.max(row, 0), this.clip.rows - 1);
        this.pane.preview = moved(rows, columns, this.handles, k, hand.row - handle.row);
        hand.button.setAttribute("aria-label", this.edgeWords(hand, k));
        this.draw();
      },
      end: (hand) => {
        const down = hand.row - handle.row;
        if (Math.abs(down) < 0.05) return;
        announce(say("said.edge"));
        this.tell({
          kind: "move_edge", frame: this.frame, structure: this.edge.structure, edge: this.edge.side,
          ...correctionOf(rows, columns, this.handles, k, down),
        });
      },
    }));
  }

  edgeWords(handle, k) {
    const depth = this.clip.spacing ? withUnit(handle.row * this.clip.spacing.row_mm, "mm")
      : withUnit(handle.row, "px");
    return say("hand.edge", {
      layer: layer(this.edge.structure), edge: say(`tool.${this.edge.side}`), number: k + 1,
      of: this.handles.length, depth,
    });
  }

  siteHand() {
    if (this.clip.site === null) return [];
    const words = (column) => say("hand.site", { place: this.clip.spacing
      ? withUnit(column * this.clip.spacing.column_mm, "mm") : withUnit(column, "px") });
    return [this.hand({
      row: this.clip.rows - 1, column: this.clip.site, name: "site", kind: "site", isSite: true,
      label: words(this.clip.site),
      move: (hand, row, column) => {
        hand.column = Math.min(Math.max(column, 0), this.clip.columns - 1);
        this.pane.site = hand.column;
        hand.button.setAttribute("aria-label", words(hand.column));
        this.draw();
      },
      end: (hand) => {
        if (Math.abs(hand.column - this.clip.site) < 0.05) return;
        announce(say("said.site"));
        this.tell({ kind: "move_site", site_px: hand.column });
      },
    })];
  }

  calliperHands() {
    this.calliper ??= this.firstCalliper();
    this.measured(this.calliper, false);
    const words = (k) => {
      const [row, column] = this.calliper[k];
      return say("hand.calliper", { number: k + 1, row: number(row, "px"), column: number(column, "px") });
    };
    return this.calliper.map(([row, column], k) => this.hand({
      row, column, name: `calliper-${k}`, kind: "calliper", label: words(k),
      move: (hand, to, across) => {
        hand.row = Math.min(Math.max(to, 0), this.clip.rows - 1);
        hand.column = Math.min(Math.max(across, 0), this.clip.columns - 1);
        this.calliper[k] = [hand.row, hand.column];
        hand.button.setAttribute("aria-label", words(k));
        this.measured(this.calliper);
        this.draw();
      },
      end: () => this.measured(this.calliper, true),
    }));
  }

  /** A calliper across the chosen layer at the site, or across the middle of the picture. */
  firstCalliper() {
    const column = this.clip.site ?? this.clip.columns / 2;
    const { columns } = this.clip.outlines;
    const near = columns.reduce((best, at, k) =>
      (Math.abs(at - column) < Math.abs(columns[best] - column) ? k : best), 0);
    const at = (side, otherwise) => {
      const row = this.clip.outlines.edge(this.frame, this.edge.structure, side)[near];
      return [Number.isFinite(row) ? row : otherwise * this.clip.rows, column];
    };
    return [at("superficial", 0.4), at("deep", 0.6)];
  }

  hand({ name, kind, label, move, end, ...place }) {
    const hand = { ...place };
    hand.button = make("button", { type: "button", class: `hand ${kind}`, "data-hand": name, label });
    hand.button.addEventListener("pointerdown", (event) => this.hold(event, hand, move, end));
    hand.button.addEventListener("keydown", (event) => this.key(event, hand, move, end));
    return hand;
  }

  hold(event, hand, move, end) {
    event.preventDefault();
    event.stopPropagation();
    hand.button.focus();
    hand.button.setPointerCapture(event.pointerId);
    this.isMoving = true;
    const box = this.pane.element.getBoundingClientRect();
    const drag = (now) => {
      move(hand, ...this.pane.inPicture(now.clientX - box.left, now.clientY - box.top));
      this.place();
    };
    hand.button.addEventListener("pointermove", drag);
    const up = () => {
      hand.button.removeEventListener("pointermove", drag);
      this.isMoving = false;
      end(hand);
    };
    hand.button.addEventListener("pointerup", up, { once: true });
    hand.button.addEventListener("pointercancel", up, { once: true });
  }

  key(event, hand, move, end) {
    const arrow = ARROWS[event.key];
    if (!arrow) return;
    event.preventDefault();
    event.stopPropagation();
    const far = event.shiftKey ? LEAP : STEP;
    this.isMoving = true;
    move(hand, hand.row + far * arrow[0], hand.column + far * arrow[1]);
    this.place();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => {
      this.isMoving = false;
      end(hand);
    }, REST_OF_KEYS_MS);
  }

  /** Forget what was shown of a move, when the program has answered. */
  settle() {
    if (!this.pane) return;
    this.pane.preview = null;
    this.pane.site = null;
  }

  /** Draw the line of the calliper. */
  drawCalliper(pane) {
    if (this.tool !== "calliper" || pane !== this.pane || !this.calliper) return;
    const pen = pane.canvas.getContext("2d");
    const [from, to] = this.calliper.map(([row, column]) => pane.onScreen(row, column));
    for (const [width, colour] of [[5, "rgba(0, 0, 0, 0.5)"], [2, "#ffffff"]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = width;
      pen.beginPath();
      pen.moveTo(...from);
      pen.lineTo(...to);
      pen.stroke();
    }
  }
}
