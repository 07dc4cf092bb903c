// Signing the visit as a whole, and what may be added afterwards.

import { tell } from "/serving/server.js";
import { announce, dayWords, make, say, titleOf } from "./words.js";

const byId = (id) => document.getElementById(id);

export class SignScreen {
  constructor({ refresh, trouble }) {
    const change = async (path, body, button, said) => {
      button.disabled = true;
      try {
        refresh(await tell(path, body));
        trouble("");
        announce(say(said));
        if (path === "/amend") byId("amend-text").value = "";
        if (path === "/withdraw") {
          for (const form of document.querySelectorAll("#sign form, #begin")) form.reset();
          location.hash = "#day";
        }
      } catch (error) {
        trouble(error.message);
      } finally {
        button.disabled = false;
      }
    };
    const send = (path, said) => (event) => {
      event.preventDefault();
      const form = event.target;
      change(path, Object.fromEntries(new FormData(form)), form.querySelector("button"), said);
    };
    byId("sign-form").addEventListener("submit", send("/sign", "said.signed"));
    byId("amend-form").addEventListener("submit", send("/amend", "said.amended"));
    byId("withdraw-form").addEventListener("submit", send("/withdraw", "said.withdrawn"));
    byId("amend-begin").addEventListener("click", (event) =>
      change("/amend/begin", { who: byId("amend-who").value }, event.target, "said.amending"));
    byId("amend-drop").addEventListener("click", (event) =>
      change("/amend/drop", {}, event.target, "said.undone"));
  }

  show(day) {
    byId("sign-form").hidden = day.is_signed;
    byId("amend-form").hidden = !day.is_signed;
    byId("amending").hidden = !day.is_signed;
    byId("amend-begin").hidden = day.is_amending;
    byId("amend-drop").hidden = !day.is_amending;
    byId("mistake").hidden = !day.is_known;
    byId("mistake").open &&= day.is_known;
    byId("sign-now").disabled = !day.is_begun || Boolean(day.why_not_sign.key);
    if (!byId("sign-who").value) byId("sign-who").value = day.who;
    if (!byId("amend-who").value) byId("amend-who").value = day.who;
    if (!byId("withdraw-who").value) byId("withdraw-who").value = day.who;
    byId("sign-words").textContent = this.words(day);
    byId("no-means").replaceChildren(...day.no_means.map((text) => make("li", { text })));
    const head = ["day.clip", "sign.confirmed", "sign.corrected", "sign.open", "sign.missing"];
    byId("sign-values").replaceChildren(
      make("caption", { class: "spoken", text: say("sign.values") }),
      make("thead", {}, [make("tr", {}, head.map((key, k) => make("th", { scope: "col", text: say(key), class: k ? "number" : "" })))]),
      make("tbody", {}, day.clips.map((clip) => make("tr", {}, [
        make("th", { scope: "row", text: titleOf(clip) }),
        ...[clip.confirmed - clip.corrected, clip.corrected, clip.to_confirm - clip.confirmed, clip.missing.length]
          .map((value) => make("td", { class: "number", text: clip.stage === "ready" ? String(value) : "\u2013" })),
      ]))),
    );
    byId("amendments").replaceChildren(...day.amendments.map(({ when, who, text }) =>
      make("li", { text: say("sign.amended", { when: dayWords(when), who, text }) })));
    byId("finished").textContent = day.is_writing ? say("sign.writing")
      : day.not_written ? say("sign.not_written", { why: day.not_written })
      : day.finished && say("sign.written", { where: day.finished });
  }

  words(day) {
    if (day.is_amending) return say("sign.amending");
    if (day.is_signed) return say("sign.signed", { who: day.signed_by, when: dayWords(day.signed_at) });
    if (!day.is_begun) return say("sign.begin_first");
    const missing = day.clips.reduce((sum, clip) => sum + clip.missing.length, 0);
    if (day.why_not_sign.key) return say(`sign.${day.why_not_sign.key}`, day.why_not_sign);
    return missing ? say("sign.ready_but", { number: missing }) : say("sign.ready");
  }
}
