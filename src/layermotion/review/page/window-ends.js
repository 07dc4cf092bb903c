// The ends of the windows in the plots: a grip at each, moved by hand or by keys.

import { announce, make, say, state, withUnit } from "./words.js";

// A correction by keys is sent when no key came for so long, ms.
const REST_OF_KEYS_MS = 350;

export class WindowEnds {
  /** `tell` gets corrections of windows; `go` the frame to which an end was moved. */
  constructor(element, { tell, go }) {
    this.element = element;
    this.tell = tell;
    this.go = go;
    this.held = null;
  }

  /** Put a grip at each end of each window; they keep their focus while all is drawn anew. */
  place(clip, scale) {
    this.clip = clip;
    this.scale = scale;
    const wanted = clip.shown.windows.flatMap((window) => ["first", "last"].map((end) => ({ window, end })));
    const hasFocus = document.activeElement?.dataset?.end;
    this.element.replaceChildren(...wanted.map(({ window, end }) => this.grip(window, end)));
    if (hasFocus) this.element.querySelector(`[data-end="${hasFocus}"]`)?.focus();
  }

  grip(window, end) {
    const frame = window[end];
    const grip = make("button", {
      type: "button", role: "slider", class: `grip ${end}`,
      "data-end": `${window.state}-${window.repeat}-${end}`,
      "aria-valuemin": 0, "aria-valuemax": this.clip.count - 1, "aria-valuenow": frame,
      "aria-valuetext": withUnit(this.clip.times[frame], "s"),
      tabindex: this.isOpen ? 0 : -1,
      label: say(`plot.${end}_of`, { state: state(window.state), repeat: window.repeat }),
    });
    this.put(grip, frame);
    grip.addEventListener("pointerdown", (event) => this.hold(event, grip, window, end));
    grip.addEventListener("keydown", (event) => this.key(event, grip, window, end));
    return grip;
  }

  put(grip, frame) {
    grip.style.left = `${this.scale.x(this.clip.times[frame])}px`;
  }

  /** Whether a window may end there; it holds at least two frames. */
  clamp(window, end, frame) {
    const last = this.clip.count - 1;
    return end === "first" ? Math.max(0, Math.min(frame, window.last - 1))
      : Math.min(last, Math.max(frame, window.first + 1));
  }

  hold(event, grip, window, end) {
    event.preventDefault();
    grip.focus();
    grip.setPointerCapture(event.pointerId);
    const left = this.element.getBoundingClientRect().left;
    const move = (now) => this.shift(grip, window, end, this.scale.frameAt(now.clientX - left));
    const up = () => {
      grip.removeEventListener("pointermove", move);
      this.finish(window);
    };
    grip.addEventListener("pointermove", move);
    grip.addEventListener("pointerup", up, { once: true });
  }

  key(event, grip, window, end) {
    const steps = { ArrowLeft: -1, ArrowRight: 1, PageDown: -10, PageUp: 10 }[event.key];
    if (!steps) return;
    event.preventDefault();
    event.stopPropagation();
    const now = this.held?.window === window ? this.held[end] : window[end];
    this.shift(grip, window, end, now + steps);
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.finish(window), REST_OF_KEYS_MS);
  }

  shift(grip, window, end, frame) {
    const held = this.held?.window === window ? this.held : { window, first: window.first, last: window.last };
    held[end] = this.clamp(window, end, frame);
    this.held = held;
    grip.setAttribute("aria-valuenow", held[end]);
    grip.setAttribute("aria-valuetext", withUnit(this.clip.times[held[end]], "s"));
    this.put(grip, held[end]);
    this.go(held[end]);
  }

  finish(window) {
    const held = this.held;
    this.held = null;
    if (!held || (held.first === window.first && held.last === window.last)) return;
    announce(say("said.window"));
    this.tell({ kind: "set_window", state: window.state, repeat: window.repeat, first: held.first, last: held.last });
  }

  /** Let the grips be reached by keys, or not. */
  open(isOpen) {
    this.isOpen = isOpen;
    for (const grip of this.element.children) grip.tabIndex = isOpen ? 0 : -1;
    if (isOpen) this.element.firstElementChild?.focus();
  }
}
