// @ts-check
/** One picture: pixels on a canvas, lines over it, and what a pointer does to them. */

import { alongRay, centre, nearest, paths, thinned } from "./shapes.js";
import { STRUCTURES } from "./run.js";

const SVG = "http://www.w3.org/2000/svg";
const CATCH_PX = 14;
const STROKE_STEP = 1.5;
const TURN = 2 * Math.PI;

/** @typedef {import("./run.js").Run} Run */
/** @typedef {[number, number]} Point */
/**
 * @typedef {object} Wishes What the picture asks of its owner.
 * @property {(points: Point[]) => void} push The line shall pass through these points.
 * @property {(points: Point[], closed: boolean) => void} stroke This stroke is the line.
 * @property {(points: Point[]) => void} picked Two points were picked.
 * @property {(steps: number) => void} step Move along the vessel.
 */

/** @param {string} name @param {Record<string, string>} attributes @returns {SVGElement} */
export function svg(name, attributes) {
  const element = /** @type {SVGElement} */ (document.createElementNS(SVG, name));
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

export class Picture {
  /** @param {HTMLElement} parent @param {Run} run @param {Wishes | null} wishes Null for a picture that only shows. */
  constructor(parent, run, wishes) {
    this.run = run;
    this.wishes = wishes;
    const { width_px: w, height_px: h, mm_per_px_x: mx, mm_per_px_y: my } = run.summary;
    this.w = w;
    this.h = h;
    this.aspect = (w * mx) / (h * my);
    this.grip = 0;
    this.structure = /** @type {"lumen" | "eem" | "stent"} */ ("lumen");
    this.tool = /** @type {"point" | "draw" | "pick"} */ ("point");
    this.painted = 0;
    this.box = document.createElement("div");
    this.box.className = wishes ? "picture" : "picture other";
    this.canvas = document.createElement("canvas");
    this.canvas.width = w;
    this.canvas.height = h;
    this.overlay = svg("svg", { viewBox: `-0.5 -0.5 ${w} ${h}`, preserveAspectRatio: "none", "aria-hidden": "true" });
    this.caption = document.createElement("div");
    this.caption.className = "caption";
    this.box.append(this.canvas, this.overlay, this.caption);
    parent.append(this.box);
    this.context = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d", { alpha: false }));
    this.image = this.context.createImageData(w, h);
    this.words = new Uint32Array(this.image.data.buffer);
    if (wishes) this.listen(wishes);
    this.box.tabIndex = wishes ? 0 : -1;
    this.box.setAttribute("role", "img");
  }

  /** @param {number} width @param {number} height Room in CSS pixels. */
  fit(width, height) {
    const w = Math.min(width, height * this.aspect);
    this.box.style.width = `${Math.floor(w)}px`;
    this.box.style.height = `${Math.floor(w / this.aspect)}px`;
  }

  /** @param {number} frame @param {Uint8Array} grey */
  paint(frame, grey) {
    const words = this.words;
    for (let i = 0; i < grey.length; i++) words[i] = 0xff000000 | (grey[i] * 0x010101);
    this.context.putImageData(this.image, 0, 0);
    this.painted = frame;
    this.canvas.dataset.frame = String(frame);
  }

  /** @param {number} frame */
  draw(frame) {
    const lines = this.run.linesNow(frame);
    /** @type {SVGElement[]} */
    const parts = [];
    for (const structure of STRUCTURES) {
      const line = lines?.[structure];
      if (!line) continue;
      const { seen, unseen } = paths(line.polygon, line.unseen);
      const chosen = structure === this.structure ? " chosen" : "";
      if (seen) parts.push(svg("path", { class: "casing", d: seen }), svg("path", { class: `line ${structure}${chosen}`, d: seen, "data-structure": structure }));
      if (unseen) parts.push(svg("path", { class: "casing", d: unseen }), svg("path", { class: `line ${structure} unseen-arc`, d: unseen }));
    }
    this.overlay.replaceChildren(...parts, ...this.scaleBar());
    this.overlay.setAttribute("data-frame", String(frame));
    if (this.wishes && lines) this.drawGrip(frame);
  }

  /** @returns {SVGElement[]} A bar of one millimetre in the lower left corner. */
  scaleBar() {
    const length = 1 / this.run.summary.mm_per_px_x, x = 0.03 * this.w, y = 0.97 * this.h;
    const d = `M${x} ${y - 0.012 * this.h}V${y}H${x + length}V${y - 0.012 * this.h}`;
    return [svg("path", { class: "casing", d }), svg("path", { class: "scale", d })];
  }

  /** @param {number} frame @returns {Point | null} Where the grip is. */
  gripPlace(frame) {
    const line = this.run.linesNow(frame)?.[this.structure];
    return line ? alongRay(line.polygon, centre(line.polygon), this.grip) : null;
  }

  /** @param {number} frame */
  drawGrip(frame) {
    const at = this.gripPlace(frame);
    if (!at) return;
    const px = 0.5 * parseFloat(getComputedStyle(document.documentElement).fontSize);
    const rx = (px * this.w) / (this.box.clientWidth || this.w), ry = (px * this.h) / (this.box.clientHeight || this.h);
    this.overlay.append(svg("ellipse", { class: "grip", cx: `${at[0]}`, cy: `${at[1]}`, rx: `${rx}`, ry: `${ry}` }));
  }

  /** @param {number} frame @param {number} px Outwards when positive. @returns {Point | null} The grip pushed along its ray. */
  pushed(frame, px) {
    const line = this.run.linesNow(frame)?.[this.structure];
    const at = this.gripPlace(frame);
    if (!line || !at) return null;
    const from = centre(line.polygon), reach = Math.hypot(at[0] - from[0], at[1] - from[1]);
    const factor = Math.max(2, reach + px) / reach;
    return [from[0] + (at[0] - from[0]) * factor, from[1] + (at[1] - from[1]) * factor];
  }

  /** @param {PointerEvent | MouseEvent} event @returns {Point} In pixels of the region. */
  at(event) {
    const box = this.box.getBoundingClientRect();
    return [((event.clientX - box.left) / box.width) * this.w - 0.5, ((event.clientY - box.top) / box.height) * this.h - 0.5];
  }

  /** @param {Wishes} wishes */
  listen(wishes) {
    /** @type {{ kind: "push" | "stroke", points: Point[], from: Point } | null} */
    let act = null;
    /** @type {Point[]} */
    let picked = [];
    const ghost = svg("path", { class: "ghost" });
    this.box.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      const q = this.at(event);
      this.box.focus();
      if (this.tool === "pick") {
        picked.push(q);
        if (picked.length === 2) { wishes.picked(picked); picked = []; }
        return;
      }
      const line = this.run.linesNow(this.painted)?.[this.structure];
      const caught = line ? nearest(line.polygon, q) : null;
      const reach = (CATCH_PX * this.w) / this.box.clientWidth;
      const drawing = this.tool === "draw" || event.shiftKey || !line;
      if (!drawing && !(caught && caught.distance <= reach)) return;
      act = { kind: drawing ? "stroke" : "push", points: [q], from: caught ? caught.foot : q };
      this.box.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    this.box.addEventListener("pointermove", (event) => {
      if (!act) return;
      for (const one of event.getCoalescedEvents?.() ?? [event]) act.points.push(this.at(one));
      if (!event.getCoalescedEvents?.().length) act.points.push(this.at(event));
      const shown = act.kind === "push" ? [act.from, act.points[act.points.length - 1]] : act.points;
      ghost.setAttribute("d", `M${shown.map((p) => p.join(" ")).join("L")}`);
      if (!ghost.isConnected) this.overlay.append(ghost);
    });
    const end = (/** @type {PointerEvent} */ event) => {
      if (!act) return;
      const done = act, last = this.at(event);
      act = null;
      ghost.remove();
      if (event.type === "pointercancel") return;
      if (done.kind === "push") {
        const line = this.run.linesNow(this.painted)?.[this.structure];
        if (line) this.grip = Math.atan2(last[1] - centre(line.polygon)[1], last[0] - centre(line.polygon)[0]);
        if (Math.hypot(last[0] - done.from[0], last[1] - done.from[1]) > 0.3) wishes.push([last]);
        return;
      }
      const stroke = thinned([...done.points, last], STROKE_STEP);
      if (stroke.length < 3) return;
      const first = stroke[0], tail = stroke[stroke.length - 1];
      const closed = Math.hypot(first[0] - tail[0], first[1] - tail[1]) < (2 * CATCH_PX * this.w) / this.box.clientWidth && stroke.length > 12;
      wishes.stroke(stroke, closed);
    };
    this.box.addEventListener("pointerup", end);
    this.box.addEventListener("pointercancel", end);
    let wheel = 0;
    this.box.addEventListener("wheel", (event) => {
      event.preventDefault();
      wheel += event.deltaY;
      const steps = Math.trunc(wheel / 40);
      if (steps) { wheel -= steps * 40; wishes.step(steps); }
    }, { passive: false });
  }

  /** @param {number} degrees */
  turnGrip(degrees) {
    this.grip = (this.grip + (degrees * TURN) / 360) % TURN;
  }
}
