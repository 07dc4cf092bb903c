// Shows clips as they arrive in the watched folder; the newest is open until another is chosen.

import { connect, texts } from "/serving/server.js";
import { chiefWords, showOutcome } from "/live/outcome.js";

const $ = (id) => document.getElementById(id);
const say = await texts("/texts");
let chosen = null;
let arrivals = [];

const nameOf = (arrival) => `${arrival.at} ${arrival.name}`;

function saidOf(arrival) {
  const said = document.createElement("span");
  said.className = arrival.outcome ? "said figure" : arrival.failed ? "said failed" : "said";
  said.textContent = arrival.outcome
    ? chiefWords(arrival.outcome, say)
    : arrival.failed || say("arrivals.measuring");
  return said;
}

function entryOf(arrival, isOpen) {
  const button = document.createElement("button");
  button.type = "button";
  button.setAttribute("aria-current", String(isOpen));
  const file = document.createElement("span");
  file.className = "file";
  file.textContent = arrival.name;
  const at = document.createElement("span");
  at.textContent = arrival.at;
  button.append(file, at, saidOf(arrival));
  button.addEventListener("click", () => {
    chosen = nameOf(arrival);
    show();
  });
  const item = document.createElement("li");
  item.append(button);
  return item;
}

function show() {
  const open = arrivals.find((arrival) => nameOf(arrival) === chosen) ?? arrivals[0];
  const had = document.activeElement?.closest("#list li");
  const place = had ? [...$("list").children].indexOf(had) : -1;
  $("none").hidden = arrivals.length > 0;
  $("list").replaceChildren(...arrivals.map((arrival) => entryOf(arrival, arrival === open)));
  if (place >= 0) $("list").children[place]?.firstElementChild.focus();
  if (!open) return;
  $("clip").textContent = `${open.name}, ${open.at}`;
  if (open.outcome) showOutcome($("outcome"), open.outcome, say);
  else $("outcome").textContent = open.failed || say("arrivals.measuring");
}

function stream() {
  const socket = connect("/arrivals");
  socket.onmessage = (event) => {
    const found = JSON.parse(event.data);
    if ("arrivals" in found) {
      $("wrong").textContent = found.error;
      if (found.arrivals[0] && nameOf(found.arrivals[0]) !== (arrivals[0] && nameOf(arrivals[0]))) {
        chosen = null;
      }
      arrivals = found.arrivals;
      show();
    }
    socket.send("drawn");
  };
  socket.onclose = () => setTimeout(stream, 1000);
}
window.addEventListener("sessionended", () => {
  $("wrong").textContent = say("live.session_ended");
});
stream();
