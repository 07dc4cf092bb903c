// Asks for a few values in a dialog, and gives them, or null where nothing is to be done.

import { make, say } from "./words.js";

/**
 * `fields`: {name: {label, kind, options, value, ...}}; gives {name: text} once it is sent.
 * `explain` is a sentence above the fields.
 */
export function askFor(title, explain, fields, button) {
  const dialog = document.getElementById("ask");
  const form = make("form", { method: "dialog" }, [
    make("h2", { id: "ask-title", text: title }),
    ...(explain ? [make("p", { text: explain })] : []),
    ...Object.entries(fields).map(([name, field]) => labelled(name, field)),
    make("p", { class: "buttons" }, [
      make("button", { class: "chief", value: "yes", text: button }),
      make("button", { value: "no", formnovalidate: true, text: say("ask.leave") }),
    ]),
  ]);
  dialog.replaceChildren(form);
  dialog.returnValue = "no";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => {
      const values = Object.fromEntries(new FormData(form));
      resolve(dialog.returnValue === "yes" ? values : null);
    }, { once: true });
  });
}

function labelled(name, { label, options, ...rest }) {
  const control = options
    ? make("select", { name }, options.map(([value, text]) => make("option", { value, text })))
    : make("input", { name, autocomplete: "off", ...rest });
  return make("label", { text: label }, [control]);
}
