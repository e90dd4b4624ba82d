// @ts-check
/** One run as the page knows it: numbers of all frames, and pixels and contours of those near the current one. */

import { Api } from "./api.js";

export const STRUCTURES = /** @type {const} */ (["lumen", "eem", "stent"]);
const BLOCK = 40;
const MAX_BLOCKS = 50;
const MAX_PIXEL_BYTES = 48 * 2 ** 20;
const AHEAD = 10;
const AT_ONCE = 4;

/** @typedef {{ polygon: Float32Array, unseen: number[] }} Line */
/** @typedef {Partial<Record<"lumen" | "eem" | "stent", Line>>} Lines */

export class Run {
  /** @param {string} token @param {number} number */
  constructor(token, number) {
    this.api = new Api(token, number);
    /** @type {any} */ this.summary = null;
    /** @type {any} */ this.numbers = null;
    /** @type {any} */ this.figures = null;
    /** @type {any} */ this.operator = null;
    this.revision = 0;
    /** @type {Map<number, Uint8Array>} */ this.pixels = new Map();
    this.pixelBytes = 0;
    /** @type {Map<number, Promise<Uint8Array>>} */ this.underway = new Map();
    /** @type {number[]} */ this.ahead = [];
    /** @type {{ frame: number, done: (pixels: Uint8Array) => void, failed: (cause: unknown) => void } | null} */ this.wanted = null;
    /** @type {Map<number, Lines>} */ this.lines = new Map();
    /** @type {Map<number, Promise<void>>} */ this.blocks = new Map();
  }

  async open() {
    this.summary = await this.api.json("run");
    await this.reload();
  }

  /** Numbers and contours anew; pixels never change. */
  async reload() {
    this.numbers = await this.api.json("numbers");
    this.revision = this.numbers.revision;
    this.lines.clear();
    this.blocks.clear();
  }

  get n() {
    return this.summary.n_frames;
  }

  /** @param {number} frame From 1. @returns {number | null} Place along the axis that this run has. */
  place(frame) {
    if (this.summary.in_mm) return this.numbers.position_mm[frame - 1];
    const time = this.numbers.time_s[frame - 1];
    return time === null ? frame : time;
  }

  get unit() {
    if (this.summary.in_mm) return "mm";
    return this.numbers.time_s[0] === null ? "frame" : "s";
  }

  /** @param {number} place @returns {number} The frame nearest to a place. */
  frameAt(place) {
    let best = 1, distance = Infinity;
    for (let frame = 1; frame <= this.n; frame++) {
      const here = this.place(frame);
      if (here !== null && Math.abs(here - place) < distance) { distance = Math.abs(here - place); best = frame; }
    }
    return best;
  }

  /** @param {number} frame @returns {Uint8Array | undefined} Its pixels if they are here. */
  pixelsNow(frame) {
    const found = this.pixels.get(frame);
    if (found) { this.pixels.delete(frame); this.pixels.set(frame, found); }
    return found;
  }

  /** @param {number} frame @returns {Promise<Uint8Array>} */
  pixelsOf(frame) {
    const here = this.pixelsNow(frame);
    if (here) return Promise.resolve(here);
    let asked = this.underway.get(frame);
    if (!asked) {
      asked = this.api.get("frame", { frame }).then((answer) => answer.arrayBuffer()).then((buffer) => {
        const bytes = new Uint8Array(buffer);
        this.keep(frame, bytes);
        return bytes;
      }).finally(() => { this.underway.delete(frame); this.fetchWanted(); this.fetchAhead(); });
      this.underway.set(frame, asked);
    }
    return asked;
  }

  /**
   * Pixels of the frame that is to be shown. While the server is behind, only the newest wish is kept, so that a held
   * key skips frames instead of queueing them.
   * @param {number} frame @param {(pixels: Uint8Array) => void} done @param {(cause: unknown) => void} failed
   */
  want(frame, done, failed) {
    this.wanted = { frame, done, failed };
    this.fetchWanted();
  }

  fetchWanted() {
    if (!this.wanted || (this.underway.size > AT_ONCE && !this.underway.has(this.wanted.frame))) return;
    const { frame, done, failed } = this.wanted;
    this.wanted = null;
    this.pixelsOf(frame).then(done).catch(failed);
  }

  /** @param {number} frame @param {Uint8Array} bytes */
  keep(frame, bytes) {
    if (this.pixels.has(frame)) return;
    this.pixels.set(frame, bytes);
    this.pixelBytes += bytes.length;
    for (const [oldest, data] of this.pixels) {
      if (this.pixelBytes <= MAX_PIXEL_BYTES || oldest === frame) break;
      this.pixels.delete(oldest);
      this.pixelBytes -= data.length;
    }
  }

  /** @param {number} frame @param {number} step Direction of travel. */
  prefetch(frame, step) {
    const direction = step < 0 ? -1 : 1;
    this.ahead = [];
    for (let k = 1; k <= AHEAD; k++) this.ahead.push(frame + k * direction);
    this.ahead.push(frame - direction, frame - 2 * direction);
    this.ahead = this.ahead.filter((f) => f >= 1 && f <= this.n && !this.pixels.has(f) && !this.underway.has(f));
    this.fetchAhead();
    this.linesNear(Math.min(this.n, Math.max(1, frame + 30 * direction)));
  }

  fetchAhead() {
    while (this.underway.size < AT_ONCE && this.ahead.length) {
      const next = /** @type {number} */ (this.ahead.shift());
      if (!this.pixels.has(next) && !this.underway.has(next)) this.pixelsOf(next).catch(() => {});
    }
  }

  /** @param {number} frame @returns {Lines | undefined} */
  linesNow(frame) {
    return this.lines.get(frame);
  }

  /** @param {number} frame @returns {Promise<void>} */
  linesNear(frame) {
    const block = Math.floor((frame - 1) / BLOCK);
    let asked = this.blocks.get(block);
    if (asked) { this.blocks.delete(block); this.blocks.set(block, asked); return asked; }
    const revision = this.revision;
    asked = this.api.json("contours", { first: block * BLOCK + 1, count: BLOCK }).then((answer) => {
      if (answer.revision !== this.revision || revision !== this.revision) {
        this.blocks.delete(block);
        return;
      }
      for (const record of answer.frames) this.take(record);
      this.dropOldBlocks();
    });
    asked.catch(() => this.blocks.delete(block));
    this.blocks.set(block, asked);
    return asked;
  }

  dropOldBlocks() {
    for (const block of this.blocks.keys()) {
      if (this.blocks.size <= MAX_BLOCKS) break;
      this.blocks.delete(block);
      for (let f = block * BLOCK + 1; f <= (block + 1) * BLOCK; f++) this.lines.delete(f);
    }
  }

  /** @param {any} record One frame's contours as the server sends them. */
  take(record) {
    /** @type {Lines} */
    const lines = {};
    for (const structure of STRUCTURES) {
      const hundredths = record[structure];
      if (!hundredths) continue;
      lines[structure] = { polygon: Float32Array.from(hundredths, (/** @type {number} */ v) => v / 100), unseen: record[`${structure}_unseen`] ?? [] };
    }
    this.lines.set(record.frame, lines);
  }

  /** @param {any} answer What an edit changed. */
  async absorb(answer) {
    this.revision = answer.revision;
    if (answer.whole) {
      await this.reload();
      return;
    }
    for (const record of answer.changed) {
      this.take(record);
      const at = record.frame - 1;
      for (const [name, value] of Object.entries(record.numbers)) this.numbers[name][at] = value;
      this.numbers.flags[at] = record.flags;
      this.numbers.state[at] = record.state;
    }
  }

  /** @param {string} path @param {object} body @returns {Promise<any>} */
  async change(path, body) {
    const answer = await this.api.post(path, { revision: this.revision, ...body });
    await this.absorb(answer);
    return answer;
  }

  async refreshFigures() {
    this.figures = await this.api.json("figures");
    this.operator = await this.api.json("operator");
  }
}
