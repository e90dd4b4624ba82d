// @ts-check
/** Along the vessel: doubt lane, longitudinal cut and profile on one axis, with the sites as marks. Down is proximal. */

import uPlotScript from "./uPlot.js";
import { svg } from "./picture.js";
import { SITES } from "./sites.js";

const uPlot = /** @type {any} */ (uPlotScript);
const LANE_REM = 1.25;
const GAP_PX = 8;
const LABEL_GAP_REM = 1.4;
const COLOURS = { lumen: "#7cc8ff", eem: "#ffb84d", stent: "#dfb0ff" };

/** @typedef {import("./run.js").Run} Run */

export class Along {
  /**
   * @param {Run} run
   * @param {(frame: number) => void} go
   * @param {(name: string, frame: number) => void} place
   */
  constructor(run, go, place) {
    this.run = run;
    this.go = go;
    this.place = place;
    this.frame = 1;
    this.top = 0;
    this.height = 1;
    this.box = /** @type {HTMLElement} */ (document.getElementById("along"));
    this.lane = /** @type {HTMLCanvasElement} */ (document.getElementById("lane"));
    this.cut = /** @type {HTMLCanvasElement} */ (document.getElementById("cut"));
    this.plotBox = /** @type {HTMLElement} */ (document.getElementById("plot"));
    this.line = /** @type {HTMLElement} */ (document.getElementById("here-line"));
    this.marks = /** @type {HTMLElement} */ (document.getElementById("marks"));
    /** @type {any} */ this.plot = null;
    /** @type {ImageBitmap | null} */ this.cutImage = null;
    /** @type {string | null} */ this.dragged = null;
    this.box.addEventListener("click", (event) => this.click(event));
    this.box.addEventListener("wheel", (event) => this.go(this.frame + Math.sign(event.deltaY) * 5), { passive: true });
  }

  /** Frames in the order of their place. */
  order() {
    const frames = [];
    for (let f = 1; f <= this.run.n; f++) if (this.run.place(f) !== null) frames.push(f);
    return frames.sort((a, b) => /** @type {number} */ (this.run.place(a)) - /** @type {number} */ (this.run.place(b)));
  }

  data() {
    const frames = this.order(), { numbers } = this.run;
    this.low = frames.length ? /** @type {number} */ (this.run.place(frames[0])) : 0;
    this.high = frames.length ? /** @type {number} */ (this.run.place(frames[frames.length - 1])) : 1;
    const column = (/** @type {string} */ name) => frames.map((f) => numbers[name][f - 1]);
    return [frames.map((f) => this.run.place(f)), column("lumen_area_mm2"), column("eem_area_mm2"), column("stent_area_mm2")];
  }

  /** Everything anew: sizes changed, or the run. */
  layout() {
    const width = this.box.clientWidth, height = this.box.clientHeight;
    const small = parseFloat(getComputedStyle(document.documentElement).fontSize);
    const cutWidth = Math.round(width * 0.24);
    const data = this.data();
    this.laneWidth = Math.round(LANE_REM * small);
    const left = this.laneWidth + GAP_PX + cutWidth + GAP_PX + 4;
    this.plotBox.style.left = `${left}px`;
    this.plotBox.style.top = "0px";
    this.plot?.destroy();
    const font = `${Math.round(small * 0.85)}px system-ui, sans-serif`;
    const axis = { stroke: "#a3aeb9", font, labelFont: font, grid: { stroke: "#28313a", width: 1 }, ticks: { stroke: "#3d4852" } };
    const unit = this.run.unit;
    const label = unit === "mm" ? "mm from the distal end" : unit === "s" ? "seconds from the first frame" : "frame";
    const series = (/** @type {keyof typeof COLOURS} */ name, /** @type {number[]} */ dash) => ({ label: name, stroke: COLOURS[name], width: small * 0.13, dash: dash.map((part) => part * small * 0.08), points: { show: false }, spanGaps: false });
    this.plot = new uPlot({
      width: width - left - 4,
      height: height,
      padding: [small * 0.8, 0, 0, small * 0.8],
      legend: { show: false },
      cursor: { show: false },
      scales: {
        x: { time: false, ori: 1, dir: -1, range: () => [this.low ?? 0, this.high ?? 1] },
        y: { ori: 0, dir: 1, range: (/** @type {any} */ _u, /** @type {number} */ _low, /** @type {number} */ high) => [0, (high || 1) * 1.05] },
      },
      axes: [
        { ...axis, scale: "x", side: 1, label, size: small * 3, labelSize: small * 1.5, gap: 3 },
        { ...axis, scale: "y", side: 2, space: small * 2.5, label: "area, mm²", size: small * 2, labelSize: small * 1.5, gap: 3 },
      ],
      series: [{}, series("lumen", []), series("eem", [7, 4]), series("stent", [2, 3, 6, 3])],
      hooks: { ready: [() => queueMicrotask(() => this.placed())], drawClear: [] },
    }, data, this.plotBox);
    this.lane.style.left = "4px";
    this.cut.style.left = `${4 + this.laneWidth + GAP_PX}px`;
    this.cutWidth = cutWidth;
    requestAnimationFrame(() => this.placed());
  }

  /** uPlot knows its inner size only after a turn of the event loop. */
  placed() {
    if (!this.plot) return;
    const over = this.plot.over.getBoundingClientRect(), box = this.box.getBoundingClientRect();
    this.top = over.top - box.top;
    this.height = over.height;
    this.plotLeft = over.left - box.left;
    this.plotRight = over.right - box.left;
    for (const [canvas, width] of /** @type {[HTMLCanvasElement, number][]} */ ([[this.lane, this.laneWidth ?? 16], [this.cut, this.cutWidth ?? 60]])) {
      canvas.style.top = `${this.top}px`;
      canvas.style.width = `${width}px`;
      canvas.style.height = `${this.height}px`;
    }
    this.drawCut();
    this.drawLane();
    this.drawMarks();
    this.show(this.frame);
  }

  /** @param {number} place @returns {number} Pixels from the top of the column. */
  y(place) {
    const low = this.low ?? 0, high = this.high ?? 1;
    return this.top + ((place - low) / (high - low || 1)) * this.height;
  }

  /** @param {number} y @returns {number} */
  placeAt(y) {
    const low = this.low ?? 0, high = this.high ?? 1;
    return low + Math.min(1, Math.max(0, (y - this.top) / this.height)) * (high - low);
  }

  /** @param {number} frame */
  show(frame) {
    this.frame = frame;
    const place = this.run.place(frame);
    this.line.style.display = place === null ? "none" : "block";
    if (place !== null) this.line.style.transform = `translateY(${this.y(place) - 1}px)`;
  }

  refresh() {
    this.plot?.setData(this.data());
    this.drawLane();
    this.drawMarks();
    this.show(this.frame);
  }

  async loadCut() {
    const answer = await this.run.api.get("cut");
    this.cutImage = await createImageBitmap(await answer.blob());
    this.drawCut();
  }

  drawCut() {
    const height = Math.max(1, Math.round(this.height)), width = Math.max(1, this.cutWidth ?? 60);
    this.cut.width = width;
    this.cut.height = height;
    const context = /** @type {CanvasRenderingContext2D} */ (this.cut.getContext("2d", { alpha: false }));
    const words = /** @type {HTMLElement} */ (document.getElementById("cut-words"));
    words.hidden = this.cutImage !== null;
    words.style.left = this.cut.style.left;
    words.style.top = `${this.top}px`;
    if (!this.cutImage) return;
    const frames = this.order();
    let index = 0;
    for (let row = 0; row < height; row++) {
      const place = this.placeAt(this.top + row + 0.5);
      const off = (/** @type {number} */ i) => Math.abs(/** @type {number} */ (this.run.place(frames[i])) - place);
      while (index + 1 < frames.length && off(index + 1) <= off(index)) index++;
      context.drawImage(this.cutImage, 0, frames[index] - 1, this.cutImage.width, 1, 0, row, width, 1);
    }
  }

  /** A tick per stretch that is left, longer where correcting it is likelier to matter; a dot where it was read. */
  drawLane() {
    const height = Math.max(1, Math.round(this.height));
    const wide = this.laneWidth ?? 16, thick = Math.max(2, Math.round(wide / 8));
    this.lane.width = wide;
    this.lane.height = height;
    const context = /** @type {CanvasRenderingContext2D} */ (this.lane.getContext("2d"));
    context.fillStyle = "#7d8994";
    const states = this.run.numbers.state;
    for (let f = 1; f <= this.run.n; f++) {
      const place = this.run.place(f), state = states[f - 1];
      if (place === null || state === "automatic" || state === "influenced") continue;
      context.fillRect(wide - 2 * thick, this.y(place) - this.top - 1, 1.5 * thick, thick);
    }
    context.fillStyle = "#ffd866";
    for (const { frame, chance } of this.run.figures?.queue ?? []) {
      const place = this.run.place(frame);
      if (place === null) continue;
      const length = 3 + (wide - 2.5 * thick) * Math.min(1, Math.sqrt(chance) * 1.6);
      context.fillRect(0, this.y(place) - this.top - thick / 2, length, thick);
    }
  }

  drawMarks() {
    const found = this.run.figures?.sites ?? {};
    const focused = /** @type {HTMLElement | null} */ (document.activeElement)?.dataset?.site;
    if (this.dragged) return;
    /** @type {{ site: typeof SITES[number], frame: number, place: number, at: number, label: number, by: string }[]} */
    const marks = [];
    for (const site of SITES) {
      const record = found[site.name];
      const place = record ? this.run.place(record.frame) : null;
      if (place !== null) marks.push({ site, frame: record.frame, place, at: this.y(place), label: 0, by: record.by });
    }
    marks.sort((a, b) => a.at - b.at);
    this.spread(marks);
    const leader = svg("svg", { class: "leader", "aria-hidden": "true" });
    /** @type {(HTMLElement | SVGElement)[]} */
    const parts = [leader];
    for (const mark of marks) parts.push(...this.mark(mark, leader));
    this.marks.replaceChildren(...parts);
    if (focused) /** @type {HTMLElement | null} */ (this.marks.querySelector(`[data-site="${focused}"]`))?.focus();
  }

  /** @param {{ at: number, label: number }[]} marks Labels apart from each other, inside the plot, in order. */
  spread(marks) {
    const gap = LABEL_GAP_REM * parseFloat(getComputedStyle(document.documentElement).fontSize);
    let last = this.top - gap;
    for (const mark of marks) { mark.label = Math.max(mark.at, last + gap); last = mark.label; }
    let limit = this.top + this.height;
    for (const mark of [...marks].reverse()) { mark.label = Math.min(mark.label, limit); limit = mark.label - gap; }
  }

  /**
   * @param {{ site: typeof SITES[number], frame: number, place: number, at: number, label: number, by: string }} mark
   * @param {SVGElement} leader
   * @returns {HTMLElement[]}
   */
  mark(mark, leader) {
    const left = this.plotLeft ?? 0, right = this.plotRight ?? 0;
    const rule = document.createElement("div");
    rule.className = `rule ${mark.by}`;
    rule.style.cssText = `left:${left}px;width:${right - left}px;top:${mark.at}px`;
    const label = document.createElement("div");
    label.className = "mark";
    label.dataset.site = mark.site.name;
    label.tabIndex = 0;
    label.setAttribute("role", "slider");
    label.setAttribute("aria-orientation", "vertical");
    label.setAttribute("aria-label", mark.site.words);
    label.setAttribute("aria-valuemin", "1");
    label.setAttribute("aria-valuemax", String(this.run.n));
    label.setAttribute("aria-valuenow", String(mark.frame));
    label.setAttribute("aria-valuetext", `${mark.place.toFixed(2)} ${this.run.unit}, frame ${mark.frame}`);
    label.append(glyph(mark.site.shape), mark.site.words);
    const half = 0.66 * parseFloat(getComputedStyle(document.documentElement).fontSize);
    label.style.top = `${mark.label - half}px`;
    label.style.right = `${this.box.clientWidth - right + 3}px`;
    if (Math.abs(mark.label - mark.at) > 1) leader.append(svg("line", { x1: `${left + 6}`, y1: `${mark.at}`, x2: `${left + 26}`, y2: `${mark.label}` }), svg("line", { x1: `${left + 26}`, y1: `${mark.label}`, x2: `${right - 90}`, y2: `${mark.label}` }));
    this.listen(label, rule, mark.site.name, mark.frame);
    return [rule, label];
  }

  /** @param {HTMLElement} label @param {HTMLElement} rule @param {string} name @param {number} frame */
  listen(label, rule, name, frame) {
    label.addEventListener("click", (event) => event.stopPropagation());
    label.addEventListener("pointerdown", (event) => {
      label.setPointerCapture(event.pointerId);
      this.dragged = name;
      event.preventDefault();
      label.focus();
    });
    let aim = frame;
    label.addEventListener("pointermove", (event) => {
      if (this.dragged !== name) return;
      const y = event.clientY - this.box.getBoundingClientRect().top;
      aim = this.run.frameAt(this.placeAt(y));
      const at = this.y(/** @type {number} */ (this.run.place(aim)));
      rule.style.top = `${at}px`;
      label.style.top = `${at - label.offsetHeight / 2}px`;
      this.go(aim);
    });
    const end = (/** @type {PointerEvent} */ event) => {
      if (this.dragged !== name) return;
      this.dragged = null;
      if (event.type === "pointerup" && aim !== frame) this.place(name, aim); else this.drawMarks();
    };
    label.addEventListener("pointerup", end);
    label.addEventListener("pointercancel", end);
    label.addEventListener("keydown", (event) => {
      /** @type {Record<string, number>} */
      const steps = { ArrowDown: 1, ArrowRight: 1, ArrowUp: -1, ArrowLeft: -1, PageDown: 10, PageUp: -10 };
      const step = steps[event.key];
      if (!step) return;
      event.preventDefault();
      event.stopPropagation();
      const order = this.order(), at = order.indexOf(frame);
      const next = order[Math.min(order.length - 1, Math.max(0, at + step))];
      if (next !== frame) { this.go(next); this.place(name, next); }
    });
  }

  /** @param {MouseEvent} event */
  click(event) {
    const y = event.clientY - this.box.getBoundingClientRect().top;
    if (y >= this.top - 4 && y <= this.top + this.height + 4) this.go(this.run.frameAt(this.placeAt(y)));
  }
}

/** @param {string} shape @returns {SVGElement} */
export function glyph(shape) {
  const box = svg("svg", { class: "glyph", viewBox: "0 0 16 16", "aria-hidden": "true" });
  box.append(svg("path", { d: shape }));
  return box;
}
