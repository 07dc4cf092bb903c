// Which key does what, and the page that says so.

import { make, say } from "./words.js";

/** Keys in the order of the help page: [key as the browser names it, key of its text]. */
export const KEYS = [
  ["d", "day"], ["v", "course"], ["g", "sign"], ["?", "help"],
  ["n", "after"], ["p", "before"],
  [" ", "play"], ["ArrowRight", "step_on"], ["ArrowLeft", "step_back"],
  ["PageUp", "leap_on"], ["PageDown", "leap_back"],
  ["r", "rest"], ["f", "effort"], ["b", "both"], ["+", "nearer"], ["-", "farther"], ["0", "whole"],
  ["e", "edge"], ["x", "other_edge"], ["l", "next_layer"], ["s", "site"], ["w", "windows"],
  ["m", "calliper"], ["Escape", "no_tool"], ["u", "undo"],
  ["c", "confirm"], ["a", "confirm_all"], ["o", "leave_out"],
];
const NAMES = { " ": "space", ArrowRight: "right", ArrowLeft: "left", PageUp: "page_up", PageDown: "page_down", Escape: "escape" };
const TYPING = "input:not([type=range]):not([type=checkbox]), select, textarea";

let areOn = true;

/** Call `act` with the word of a key, unless somebody types or moves something with it. */
export function listen(act) {
  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.altKey || event.metaKey) return;
    if (document.querySelector("dialog[open]") || event.target.closest(TYPING)) return;
    if (event.key === " " && event.target.closest("button, a")) return;
    if (event.target.matches("input[type=range]") && event.key.startsWith("Arrow")) return;
    if (!areOn && event.key.length === 1 && event.key !== " ") return;
    const word = KEYS.find(([key]) => key === event.key || key === event.key.toLowerCase())?.[1];
    if (word && act(word) !== false) event.preventDefault();
  });
}

export function showHelp() {
  const dialog = document.getElementById("help");
  const rows = KEYS.map(([key, word]) => make("tr", {}, [
    make("th", { scope: "row" }, [make("kbd", { text: NAMES[key] ? say(`key.${NAMES[key]}`) : key.toUpperCase() })]),
    make("td", { text: say(`does.${word}`) }),
  ]));
  const box = make("input", { type: "checkbox", id: "keys-on" });
  box.checked = areOn;
  box.addEventListener("change", () => {
    areOn = box.checked;
  });
  dialog.replaceChildren(
    make("h2", { id: "help-title", text: say("help.title") }),
    make("p", { text: say("help.words") }),
    make("div", { class: "scroll", tabindex: 0, role: "region", label: say("help.title") }, [
      make("table", { class: "keys" }, [make("tbody", {}, rows)])]),
    make("label", { class: "check" }, [box, ` ${say("help.on")}`]),
    make("p", { text: say("help.moving") }),
    make("form", { method: "dialog", class: "buttons" }, [make("button", { class: "chief", text: say("help.close") })]),
  );
  dialog.showModal();
}
