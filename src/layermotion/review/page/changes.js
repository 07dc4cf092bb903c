// What a person changes of the clip on the bench: asks where something is missing, sends, shows anew.

import { tell } from "/serving/server.js";
import { askFor } from "./ask.js";
import { calibrate } from "./scale.js";
import { announce, say } from "./words.js";

const byId = (id) => document.getElementById(id);

export class Changes {
  constructor(bench) {
    this.bench = bench;
  }

  async correct(correction) {
    await this.safely(() => this.bench.clip.correct(correction, byId("why").value.trim()));
  }

  async undo() {
    if (!this.bench.clip.canUndo || this.bench.isReadOnly()) return;
    await this.safely(() => this.bench.clip.undo());
    announce(say("said.undone"));
  }

  async confirmAll() {
    const keys = this.bench.numbers.open();
    if (!keys.length || !this.bench.clip.isSeen || this.bench.isReadOnly()) {
      announce(byId("why-not").textContent);
      return;
    }
    await this.correct({ kind: "confirm", keys });
    announce(say("said.confirmed_all", { number: keys.length }));
  }

  async leaveOut() {
    const repeats = this.bench.clip.repeats.map((repeat) => [
      String(repeat), say(this.bench.clip.isLeftOut(repeat) ? "leave.take_in" : "leave.repeat", { repeat })]);
    const reasons = ["not_done", "moved", "breathing", "poor", "other"].map((name) => [say(`leave.${name}`), say(`leave.${name}`)]);
    const told = await askFor(say("leave.title"), say("leave.words"), {
      repeat: { label: say("leave.which"), options: repeats },
      reason: { label: say("leave.reason"), options: reasons },
      more: { label: say("leave.more"), maxlength: 200 },
    }, say("leave.do"));
    if (!told) return;
    const repeat = Number(told.repeat);
    if (this.bench.clip.isLeftOut(repeat)) await this.correct({ kind: "take_in", repeat });
    else await this.correct({ kind: "leave_out", repeat, reason: [told.reason, told.more.trim()].filter(Boolean).join(": ") });
  }

  async handOver() {
    try {
      const { label } = await tell(`/clips/${this.bench.clip.number}/hand-over`, { frame: this.bench.frame });
      this.bench.trouble("");
      byId("why-not").textContent = say("numbers.handed_over", { label });
      announce(byId("why-not").textContent);
    } catch (error) {
      this.bench.trouble(error.message);
    }
  }

  async askScale() {
    const correction = await calibrate(this.bench.clip, this.bench.tool === "calliper" ? this.bench.hands.calliper : null);
    if (!correction) return;
    // The clip is measured anew, which takes as long as the first time.
    this.bench.wait(say("stage.measuring"));
    await this.correct(correction);
    this.bench.wait("");
  }

  /** Do something that changes numbers, then show all of them anew if the clip is still there. */
  async safely(change) {
    const { bench } = this;
    const { clip } = bench;
    let trouble = "";
    try {
      bench.refresh(await change());
    } catch (error) {
      trouble = error.message;
    }
    if (clip && bench.clip === clip) {
      bench.hands.settle();
      bench.showNumbers();
      bench.plots.show(clip, bench.frame);
      bench.go(bench.frame);
    }
    bench.trouble(trouble);
  }
}
