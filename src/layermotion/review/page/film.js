// Fetches the frames of a clip ahead of their use, and unpacks those near the one on show.

import { ask } from "/serving/server.js";

// Frames asked for at once; requests under way at a time; pictures kept unpacked.
const CHUNK = 16;
const AT_ONCE = 2;
const UNPACKED = 64;

export class Film {
  constructor(number, count) {
    this.number = number;
    this.count = count;
    this.packed = new Array(count).fill(null);
    this.asked = new Set();
    this.waiting = new Map();
    this.unpacked = new Map();
    this.isOpen = true;
    this.wanted = 0;
    for (let k = 0; k < AT_ONCE; k += 1) this.fetchOn();
  }

  close() {
    this.isOpen = false;
    for (const bitmap of this.unpacked.values()) bitmap.close();
    this.unpacked.clear();
  }

  /** How many frames are here, of all. */
  get here() {
    return this.packed.reduce((sum, picture) => sum + (picture ? 1 : 0), 0);
  }

  /** Picture of one frame; null where the film was closed meanwhile. */
  async picture(index) {
    this.wanted = index;
    const known = this.unpacked.get(index);
    if (known) {
      this.unpacked.delete(index);
      this.unpacked.set(index, known);
      return known;
    }
    const packed = this.packed[index] ?? (await this.arrival(index));
    if (!packed || !this.isOpen) return null;
    const bitmap = await createImageBitmap(new Blob([packed], { type: "image/jpeg" }));
    if (!this.isOpen) {
      bitmap.close();
      return null;
    }
    this.unpacked.get(index)?.close();
    this.unpacked.set(index, bitmap);
    for (const [old, picture] of this.unpacked) {
      if (this.unpacked.size <= UNPACKED) break;
      picture.close();
      this.unpacked.delete(old);
    }
    return bitmap;
  }

  arrival(index) {
    return new Promise((resolve) => {
      const others = this.waiting.get(index) ?? [];
      this.waiting.set(index, [...others, resolve]);
      if (!this.asked.has(Math.floor(index / CHUNK))) this.fetchChunk(Math.floor(index / CHUNK));
    });
  }

  /** Fetch what comes next from the frame on show, and then round from the start. */
  async fetchOn() {
    const chunks = Math.ceil(this.count / CHUNK);
    while (this.isOpen && this.asked.size < chunks) {
      const from = Math.floor(this.wanted / CHUNK);
      let next = from;
      while (this.asked.has(next % chunks)) next += 1;
      await this.fetchChunk(next % chunks);
    }
  }

  async fetchChunk(chunk) {
    this.asked.add(chunk);
    const first = chunk * CHUNK;
    const last = Math.min(first + CHUNK, this.count) - 1;
    let content = null;
    try {
      content = await (await ask(`/clips/${this.number}/frames/${first}/${last}`)).arrayBuffer();
    } catch {
      this.isOpen = false;
      return;
    }
    const view = new DataView(content);
    let at = 0;
    for (let index = first; index <= last; index += 1) {
      const size = view.getUint32(at, true);
      this.packed[index] = new Uint8Array(content, at + 4, size);
      at += 4 + size;
      for (const resolve of this.waiting.get(index) ?? []) resolve(this.packed[index]);
      this.waiting.delete(index);
    }
  }
}
