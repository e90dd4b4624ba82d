// @ts-check
/** The review page: one position along the vessel, shown three ways, and the operator's actions on it. */

import { Along } from "./along.js";
import { Refused, takeToken } from "./api.js";
import { button, buildStructures, definitions, element, sentence, showDecision, showNumbers, showQueue, showSaid, showSites } from "./decide.js";
import { Picture } from "./picture.js";
import { Run } from "./run.js";
import { StatementForm } from "./statements.js";

const FIGURES_AFTER_MS = 350;
const DECISION_AFTER_MS = 1200;
const SPEAK_AFTER_MS = 500;
const GRIP_STEP_DEG = 4;
const MESSAGE_MS = 7000;

/** @type {[string, string][]} */
const KEYS = [
  ["↓ ↑, wheel", "one frame"], ["PgDn PgUp", "1 mm, or 30 frames"], ["Home End", "first, last"], ["N", "next stretch to check"],
  ["1 2 3", "lumen, EEM, stent"], ["← →", "move the grip round"], ["+ −", "push it out, in (Shift: 4 px)"], ["drag the line", "through this point"],
  ["D, or Shift-drag", "draw the border"], ["A", "accept, or reopen"], ["X", "reject"], ["Z, Y", "undo, redo"], ["H held", "bare image"],
  ["O", "work on the other run"], ["Tab", "sites, numbers, statements"],
];

class Page {
  /** @param {Run[]} runs */
  constructor(runs) {
    this.runs = runs;
    this.run = runs[0];
    this.frame = 1;
    this.direction = 1;
    /** @type {Promise<void>} */ this.busy = Promise.resolve();
    this.picture = /** @type {Picture} */ (/** @type {unknown} */ (null)); // `show` makes it
    this.along = /** @type {Along} */ (/** @type {unknown} */ (null));
    /** @type {{ run: Run, picture: Picture }[]} */ this.others = [];
    this.pushPx = 0;
    this.waiting = false;
    /** @type {ReturnType<typeof setTimeout> | undefined} */ this.figuresTimer = undefined;
    /** @type {ReturnType<typeof setTimeout> | undefined} */ this.decisionTimer = undefined;
    /** @type {ReturnType<typeof setTimeout> | undefined} */ this.speakTimer = undefined;
    /** @type {ReturnType<typeof setTimeout> | undefined} */ this.messageTimer = undefined;
    /** @type {((points: [number, number][]) => void) | null} */ this.pickThen = null;
    buildStructures((structure) => this.choose(structure));
    this.buttons = {
      accept: button("Accept", "A", () => this.accept()),
      reject: button("Reject", "X", () => this.reject()),
      next: button("Next to check", "N", () => this.next()),
      undo: button("Undo", "Z", () => this.undo()),
      redo: button("Redo", "Y", () => this.redo()),
      draw: button("Draw", "D", () => this.toggleDraw()),
    };
    if (runs.length > 1) button("Other run", "O", () => this.swap());
    this.buttons.draw.setAttribute("aria-pressed", "false");
    definitions(element("keys"), KEYS);
    this.show();
    this.form = new StatementForm(/** @type {HTMLFormElement} */ (element("statement")), {
      frame: () => this.frame,
      n: () => this.run.n,
      structure: () => this.picture.structure,
      pick: (then) => { this.pickThen = then; this.picture.tool = "pick"; this.tell("Click the first and the second point on the picture."); },
      say: (edit, why) => this.edit(edit, why),
    });
    element("decision").addEventListener("toggle", () => this.decisionSoon(0));
    element("say").addEventListener("toggle", () => this.form.build());
    addEventListener("keydown", (event) => this.key(event));
    addEventListener("keyup", (event) => { if (event.key.toLowerCase() === "h") this.bare(false); });
    addEventListener("blur", () => this.bare(false));
    new ResizeObserver(() => this.fit()).observe(element("pictures"));
    new ResizeObserver(() => this.along.layout()).observe(element("along"));
  }

  /** Put the current run on the page. */
  show() {
    const { run } = this;
    const box = element("pictures");
    box.replaceChildren();
    this.picture = new Picture(box, run, {
      push: (points) => this.edit({ kind: "points", frame: this.frame, structure: this.picture.structure, points_px: this.outer(points) }),
      stroke: (points, closed) => this.edit({ kind: "stroke", frame: this.frame, structure: this.picture.structure, points_px: this.outer(points), closed }),
      picked: (points) => { this.picture.tool = "point"; this.pickThen?.(this.outer(points)); this.pickThen = null; this.tell(""); },
      step: (steps) => this.go(this.frame + steps),
    });
    this.others = this.runs.filter((one) => one !== run).map((one) => ({ run: one, picture: new Picture(box, one, null) }));
    box.classList.toggle("two", this.others.length > 0);
    if (!this.along) this.along = new Along(run, (frame) => this.go(frame), (name, frame) => this.edit({ kind: "site", name, frame }));
    this.along.run = run;
    this.along.cutImage = null;
    this.along.layout();
    this.along.loadCut().catch(() => {});
    const s = run.summary;
    element("title").textContent = `${s.name}, ${s.n_frames} frames`;
    document.title = `${s.name} - Boreline review`;
    const axis = s.in_mm ? `positions: ${s.axis_source}` : `no positions: ${s.axis_detail}`;
    element("provenance").textContent = `research software, not a medical device; reader ${s.reader}; ${s.mm_per_px_x.toFixed(5)} x ${s.mm_per_px_y.toFixed(5)} mm/px (${s.calibration_detail}); ${axis}`;
    this.fit();
    this.go(Math.min(this.frame, run.n), true);
    this.figuresSoon(0);
  }

  fit() {
    const box = element("pictures"), n = 1 + this.others.length;
    const width = (box.clientWidth - 10 * (n - 1)) / n, height = box.clientHeight - (n > 1 ? 24 : 0);
    for (const picture of [this.picture, ...this.others.map((one) => one.picture)]) picture.fit(width, height);
    this.picture.draw(this.frame);
  }

  /** @param {[number, number][]} points In the region. @returns {[number, number][]} In the full frame. */
  outer(points) {
    const { x0_px: x0, y0_px: y0 } = this.run.summary;
    return points.map(([x, y]) => [Math.round((x + x0) * 1000) / 1000, Math.round((y + y0) * 1000) / 1000]);
  }


  /** @param {number} frame @param {boolean} [again] Even where it is already shown. */
  go(frame, again = false) {
    const next = Math.min(this.run.n, Math.max(1, Math.round(frame)));
    if (next === this.frame && !again) return;
    this.direction = next < this.frame ? -1 : 1;
    this.frame = next;
    this.paint();
    clearTimeout(this.speakTimer);
    this.speakTimer = setTimeout(() => { element("spoken").textContent = sentence(this.run, this.frame); }, SPEAK_AFTER_MS);
  }

  /** Paint the wanted frame now or as soon as its pixels are here; whatever came late is not painted. */
  paint() {
    const { run, frame } = this;
    const here = run.pixelsNow(frame);
    const finish = (/** @type {Uint8Array} */ pixels) => {
      if (this.frame !== frame || this.run !== run) return;
      this.picture.paint(frame, pixels);
      this.picture.draw(frame);
      this.describe();
      run.prefetch(frame, this.direction);
    };
    if (here) finish(here); else run.want(frame, finish, (cause) => this.failed(cause));
    if (!run.linesNow(frame)) run.linesNear(frame).then(() => { if (this.frame === frame && this.run === run) this.drawAgain(); }).catch((cause) => this.failed(cause));
    this.along.show(frame);
    for (const one of this.others) this.paintOther(one);
  }

  drawAgain() {
    this.picture.draw(this.frame);
    this.describe();
  }

  /** @param {{ run: Run, picture: Picture }} one The other run at the same place. */
  paintOther({ run, picture }) {
    const place = this.run.place(this.frame);
    const same = run.unit === this.run.unit && place !== null;
    const frame = same ? run.frameAt(place) : Math.min(this.frame, run.n);
    const mine = this.frame;
    Promise.all([run.pixelsOf(frame), run.linesNear(frame)]).then(([pixels]) => {
      if (mine !== this.frame) return;
      picture.paint(frame, pixels);
      picture.draw(frame);
      picture.caption.textContent = `${run.summary.name}: ${sentence(run, frame)}`;
    }).catch((cause) => this.failed(cause));
    this.picture.caption.textContent = this.run.summary.name;
  }

  describe() {
    showNumbers(this.run, this.frame);
    const words = sentence(this.run, this.frame);
    element("sentence").textContent = `${words}; the bar is 1 mm`;
    this.picture.box.setAttribute("aria-label", words);
    const state = this.run.numbers.state[this.frame - 1];
    /** @type {Text} */ (this.buttons.accept.firstChild).data = state === "accepted" || state === "rejected" ? "Reopen" : "Accept";
  }

  /** @param {string} path @param {object} body @returns {Promise<void>} One change after the other. */
  change(path, body) {
    this.busy = this.busy.then(async () => {
      try {
        const { run } = this;
        const answer = await run.change(path, body);
        if (answer.whole) run.summary = await run.api.json("run");
        this.buttons.undo.disabled = answer.undo === null;
        this.buttons.redo.disabled = answer.redo === null;
        this.tell(answer.note ?? "");
        if (answer.whole || !run.linesNow(this.frame)) await run.linesNear(this.frame);
        this.drawAgain();
        this.figuresSoon();
      } catch (cause) {
        await this.failed(cause);
      }
    });
    return this.busy;
  }

  /** @param {any} edit @param {string} [why] */
  edit(edit, why = "") {
    return this.change("edits", { edit, why });
  }

  undo() {
    return this.change("undo", {});
  }

  redo() {
    return this.change("redo", {});
  }

  accept() {
    const state = this.run.numbers.state[this.frame - 1];
    const kind = state === "accepted" || state === "rejected" ? "reopen" : "accept";
    this.edit({ kind, first: this.frame, last: this.frame });
  }

  reject() {
    this.edit({ kind: "reject", first: this.frame, last: this.frame });
  }

  /** The frame of the queue that is most rewarding, other than this one. */
  next() {
    const waiting = (this.run.figures?.queue ?? []).filter((/** @type {any} */ one) => one.frame !== this.frame && ["automatic", "influenced"].includes(this.run.numbers.state[one.frame - 1]));
    if (waiting.length) this.go(waiting[0].frame); else this.tell("No stretch is left to check.");
  }

  swap() {
    const place = this.run.place(this.frame);
    const other = this.runs[(this.runs.indexOf(this.run) + 1) % this.runs.length];
    const frame = place !== null && other.unit === this.run.unit ? other.frameAt(place) : Math.min(this.frame, other.n);
    this.run = other;
    this.frame = frame;
    this.show();
  }

  toggleDraw() {
    this.picture.tool = this.picture.tool === "draw" ? "point" : "draw";
    this.buttons.draw.setAttribute("aria-pressed", String(this.picture.tool === "draw"));
    this.tell(this.picture.tool === "draw" ? "Drawing: the stroke becomes the border; end where you began to replace all of it." : "");
  }

  /** @param {"lumen" | "eem" | "stent"} structure */
  choose(structure) {
    this.picture.structure = structure;
    const radio = /** @type {HTMLInputElement | null} */ (document.querySelector(`input[name=structure][value=${structure}]`));
    if (radio) radio.checked = true;
    this.picture.draw(this.frame);
  }

  /** @param {number} px Pushes that come while one is solved are added up. */
  push(px) {
    this.pushPx += px;
    if (this.waiting) return;
    this.waiting = true;
    this.busy.then(async () => {
      this.waiting = false;
      const total = this.pushPx;
      this.pushPx = 0;
      const point = this.picture.pushed(this.frame, total);
      if (point) await this.edit({ kind: "points", frame: this.frame, structure: this.picture.structure, points_px: this.outer([point]) });
      else this.tell("This frame has no such line yet: draw it with D.");
    });
  }

  /** @param {boolean} hidden */
  bare(hidden) {
    this.picture.box.classList.toggle("bare", hidden);
  }

  /** @param {number} [delay] */
  figuresSoon(delay = FIGURES_AFTER_MS) {
    clearTimeout(this.figuresTimer);
    this.updating(true);
    this.figuresTimer = setTimeout(async () => {
      const { run } = this;
      try {
        await run.refreshFigures();
        if (run !== this.run) return;
        showQueue(run);
        showSites(run, (name, frame) => this.edit({ kind: "site", name, frame }), (frame) => this.go(frame));
        showSaid(run);
        this.buttons.undo.disabled = run.operator.undo === null;
        this.buttons.redo.disabled = run.operator.redo === null;
        this.along.refresh();
        this.updating(false);
        this.decisionSoon();
      } catch (cause) {
        await this.failed(cause);
      }
    }, delay);
  }

  /** Say that numbers belong to the state before the last edit. @param {boolean} yes @param {string} [where] */
  updating(yes, where = "section ") {
    for (const word of document.querySelectorAll(`${where}.updating`)) /** @type {HTMLElement} */ (word).hidden = !yes;
  }

  /** Worked out only while it is open, and only once the operator pauses. @param {number} [delay] */
  decisionSoon(delay = DECISION_AFTER_MS) {
    clearTimeout(this.decisionTimer);
    if (!(/** @type {HTMLDetailsElement} */ (element("decision")).open)) return;
    this.updating(true, "#decision ");
    this.decisionTimer = setTimeout(async () => {
      try {
        const { run } = this, decision = await run.api.json("decision");
        if (run !== this.run) return;
        showDecision(decision);
        this.updating(false, "#decision ");
      } catch (cause) {
        await this.failed(cause);
      }
    }, delay);
  }

  /** @param {unknown} cause */
  async failed(cause) {
    if (cause instanceof Refused && cause.status === 409) {
      await this.run.reload();
      await this.run.linesNear(this.frame);
      this.drawAgain();
      this.figuresSoon(0);
      this.tell("Another page changed this run meanwhile. It is shown as it is now; your last action was not taken.");
      return;
    }
    this.tell(cause instanceof Refused ? cause.message : "The server does not answer. Every confirmed edit is kept; start boreline review again.");
  }

  /** @param {string} text */
  tell(text) {
    element("message").textContent = text;
    clearTimeout(this.messageTimer);
    if (text) this.messageTimer = setTimeout(() => { element("message").textContent = ""; }, MESSAGE_MS);
  }

  /** @returns {number} Frames that make about one millimetre. */
  page() {
    const here = this.run.place(this.frame);
    if (!this.run.summary.in_mm || here === null) return 30;
    const there = this.run.frameAt(here + 1), back = this.run.frameAt(here - 1);
    return Math.max(1, Math.abs(there - this.frame), Math.abs(this.frame - back));
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const target = /** @type {HTMLElement} */ (event.target);
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (target.matches("input:not([type=radio]), select, textarea")) return;
    const big = event.shiftKey ? 4 : 1;
    /** @type {Record<string, () => void>} */
    const acts = {
      arrowdown: () => this.go(this.frame + 1), arrowup: () => this.go(this.frame - 1),
      pagedown: () => this.go(this.frame + this.page()), pageup: () => this.go(this.frame - this.page()),
      home: () => this.go(1), end: () => this.go(this.run.n),
      arrowleft: () => { this.picture.turnGrip(-GRIP_STEP_DEG * big); this.picture.draw(this.frame); },
      arrowright: () => { this.picture.turnGrip(GRIP_STEP_DEG * big); this.picture.draw(this.frame); },
      "+": () => this.push(big), "=": () => this.push(big), "*": () => this.push(big), "-": () => this.push(-big), "_": () => this.push(-big), "−": () => this.push(-big),
      1: () => this.choose("lumen"), 2: () => this.choose("eem"), 3: () => this.choose("stent"),
      a: () => this.accept(), x: () => this.reject(), n: () => this.next(), z: () => this.undo(), y: () => this.redo(),
      d: () => this.toggleDraw(), h: () => this.bare(true), o: () => { if (this.runs.length > 1) this.swap(); },
      escape: () => { this.picture.tool = "point"; this.pickThen = null; this.buttons.draw.setAttribute("aria-pressed", "false"); this.tell(""); },
    };
    const act = acts[event.key.toLowerCase()];
    if (!act) return;
    if (event.repeat && "axnzyodh".includes(event.key.toLowerCase())) { event.preventDefault(); return; }
    event.preventDefault();
    act();
  }
}

async function start() {
  const token = takeToken();
  try {
    const first = new Run(token, 0);
    await first.open();
    const others = first.summary.runs.slice(1).map((/** @type {string} */ _name, /** @type {number} */ i) => new Run(token, i + 1));
    await Promise.all(others.map((/** @type {Run} */ one) => one.open()));
    new Page([first, ...others]);
    document.body.dataset.ready = "yes";
  } catch (cause) {
    element("message").textContent = cause instanceof Refused ? cause.message : "The server does not answer: start boreline review again.";
  }
}

start();
