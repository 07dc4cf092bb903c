// The patient's screen: a muscle belly that thickens, or a sling that lifts, into its band.

import { connect, texts } from "/serving/server.js";

const $ = (id) => document.getElementById(id);
const say = await texts("/texts");
const SVG = "http://www.w3.org/2000/svg";
// Half length of the belly, half its thickness at rest, and how far the far edge of the band lies
// from rest, in units of the drawing.
const HALF = 430;
const AT_REST = 80;
const REACH = 185;
const THICK = 90;

/** Outline of a belly whose half thickness is `half`. */
const belly = (half) =>
  `M${-HALF} 0C${-HALF * 0.45} ${-half * 1.33} ${HALF * 0.45} ${-half * 1.33} ${HALF} 0` +
  `C${HALF * 0.45} ${half * 1.33} ${-HALF * 0.45} ${half * 1.33} ${-HALF} 0Z`;

/** A sling from side to side whose middle lies `up` above its rest. */
const slingLine = (up) => {
  const middle = 130 - up;
  return (
    `M${-HALF} 40C${-HALF * 0.5} 40 ${-HALF * 0.4} ${middle} 0 ${middle}` +
    `C${HALF * 0.4} ${middle} ${HALF * 0.5} 40 ${HALF} 40`
  );
};

/** The sling itself, as thick as `THICK`. */
const sling = (up) => {
  const middle = 130 - up + THICK;
  const end = 40 + THICK;
  return (
    `${slingLine(up)}V${end}C${HALF * 0.5} ${end} ${HALF * 0.4} ${middle} 0 ${middle}` +
    `C${-HALF * 0.4} ${middle} ${-HALF * 0.5} ${end} ${-HALF} ${end}Z`
  );
};

/** What lies above one line of the sling, to be taken from what lies above another. */
const above = (up) => `${slingLine(up)}V-280H${-HALF}Z`;

function draw(now) {
  const isMuscle = now.shape === "muscle";
  const sign = now.down ? -1 : 1;
  const scale = isMuscle ? (now.down ? AT_REST * 0.8 : REACH) : 240;
  const at = (share) => (isMuscle ? AT_REST + sign * share * scale : sign * share * scale);
  const shape = isMuscle ? belly : sling;
  const line = isMuscle ? belly : slingLine;
  const side = isMuscle ? belly : above;
  const fill = now.fill ?? 0;
  $("far").setAttribute("d", line(at(1)));
  $("near").setAttribute("d", line(at(now.near)));
  $("band").setAttribute("d", side(at(1)) + side(at(now.near)));
  $("still").setAttribute("d", line(at(0)));
  $("body").setAttribute("d", shape(at(fill)));
  $("body").setAttribute("class", now.inBand ? "body reached" : "body");
}

function words(now) {
  if (now.paused) return "paused";
  if (now.resting) return "rest";
  if (!now.ready) return "wait";
  if (now.phase === "effort" && now.inBand) return "in_band";
  return now.phase === "idle" ? "ready" : now.phase;
}

function beads(now) {
  const place = $("beads");
  if (place.childElementCount !== now.repeats) {
    place.setAttribute("viewBox", `0 0 ${60 * now.repeats} 60`);
    place.replaceChildren();
    for (let i = 0; i < now.repeats; i += 1) {
      const bead = document.createElementNS(SVG, "circle");
      bead.setAttribute("cx", 30 + 60 * i);
      bead.setAttribute("cy", 30);
      bead.setAttribute("r", 20);
      place.append(bead);
    }
  }
  [...place.children].forEach((bead, i) => bead.classList.toggle("done", i < now.done));
}

function show(now) {
  const text = say(`patient.${words(now)}`);
  if ($("words").textContent !== text) $("words").textContent = text;
  if (!("shape" in now)) return;
  draw(now);
  beads(now);
  const isCounting = now.phase === "count_in";
  $("lights").setAttribute("class", isCounting ? "on" : "");
  [...$("lights").children].forEach((light, i) => {
    light.setAttribute("class", isCounting && now.counted * 3 > i ? "lit" : "");
  });
  $("held").setAttribute("width", 100 * now.held);
}

function stream() {
  const socket = connect("/shape");
  socket.onmessage = async (event) => {
    const now = JSON.parse(event.data);
    if (!document.hidden) await new Promise((resolve) => requestAnimationFrame(resolve));
    show(now);
    if (socket.readyState === WebSocket.OPEN) socket.send("drawn");
  };
  socket.onclose = () => {
    $("words").textContent = say("patient.paused");
    setTimeout(stream, 1000);
  };
}
stream();
