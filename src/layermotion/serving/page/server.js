// Talks to the program that serves this page. Owns keys and errors, and nothing that is shown.

const formKey = document.querySelector('meta[name="form-key"]').content;
// Whoever moves or types is present; the program hears of it at most this often, ms.
const PRESENCE_MS = 60000;

/** Thrown with the program's own sentence. */
export class Refused extends Error {}

/** Sent to the window once, when the program no longer answers this page. */
const ENDED = "sessionended";

async function answer(path, options) {
  let response;
  try {
    response = await fetch(path, { ...options, credentials: "same-origin", cache: "no-store" });
  } catch {
    window.dispatchEvent(new Event(ENDED));
    throw new Refused("");
  }
  if (response.status === 403) window.dispatchEvent(new Event(ENDED));
  if (response.ok) return response;
  const text = await response.text();
  let sentence = text;
  try {
    sentence = JSON.parse(text).error ?? text;
  } catch {
    // A plain sentence.
  }
  throw new Refused(sentence);
}

/** Fetch without changing anything; gives the response. */
export const ask = (path) => answer(path, { method: "GET" });

/** Ask for a change; `body` is sent as JSON. Gives the answer's JSON, or null where it is empty. */
export async function tell(path, body = {}) {
  const response = await answer(path, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Layermotion-Form": formKey },
    body: JSON.stringify(body),
  });
  return response.status === 204 ? null : response.json();
}

/** Open a socket of the program; its binary messages come as ArrayBuffer. */
export function connect(path) {
  const address = new URL(path, window.location.href);
  address.protocol = address.protocol === "https:" ? "wss:" : "ws:";
  const socket = new WebSocket(address, ["layermotion", `form.${formKey}`]);
  socket.binaryType = "arraybuffer";
  let isOpened = false;
  socket.addEventListener("open", () => {
    isOpened = true;
  });
  socket.addEventListener("close", () => {
    if (!isOpened) window.dispatchEvent(new Event(ENDED));
  });
  return socket;
}

/** Texts of a page; gives `say(key, values)`. */
export async function texts(path) {
  const byKey = await (await ask(path)).json();
  return (key, values = {}) =>
    byKey[key].replace(/\{(\w+)(?:[^}]*)\}/g, (whole, name) => String(values[name] ?? whole));
}

let toldAt = -Infinity;
function present() {
  if (performance.now() - toldAt < PRESENCE_MS) return;
  toldAt = performance.now();
  tell("/presence").catch(() => {});
}
for (const kind of ["pointermove", "pointerdown", "keydown"]) {
  window.addEventListener(kind, present, { passive: true });
}
