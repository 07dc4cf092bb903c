// Plays a clip at its own speed times a factor; frames that come too late are left out.

export class Player {
  /** `show` is called with each frame to be seen. */
  constructor(show) {
    this.show = show;
    this.speed = 1;
    this.isOn = false;
    this.onStop = () => {};
  }

  open(times) {
    this.times = times;
  }

  setSpeed(speed) {
    this.speed = speed;
    this.start(this.frame ?? 0);
  }

  start(frame) {
    this.frame = frame;
    this.from = { time: this.times?.[frame] ?? 0, at: performance.now() };
  }

  /** Play from a frame, from the start where it is the last one; or stop. */
  toggle(frame) {
    if (this.isOn) {
      this.stop();
      return false;
    }
    this.isOn = true;
    this.start(frame >= this.times.length - 1 ? 0 : frame);
    this.startedAt = this.frame;
    this.hasTurned = false;
    requestAnimationFrame(() => this.tick());
    return true;
  }

  stop() {
    if (!this.isOn) return;
    this.isOn = false;
    this.onStop();
  }

  tick() {
    if (!this.isOn) return;
    const now = this.from.time + ((performance.now() - this.from.at) / 1000) * this.speed;
    let frame = this.frame;
    while (frame < this.times.length - 1 && this.times[frame + 1] <= now) frame += 1;
    if (frame !== this.frame) {
      this.frame = frame;
      this.show(frame);
    }
    if (frame >= this.times.length - 1) {
      // Once round: what lies before the start has not been seen.
      if (this.startedAt === 0 || this.hasTurned) {
        this.stop();
        return;
      }
      this.hasTurned = true;
      this.start(0);
      this.show(0);
    }
    if (this.hasTurned && this.frame >= this.startedAt) {
      this.stop();
      return;
    }
    requestAnimationFrame(() => this.tick());
  }
}
