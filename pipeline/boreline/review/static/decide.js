// @ts-check
/** The right column: this frame's numbers, what to do, what is left, the sites. */

import { glyph } from "./along.js";
import { svg } from "./picture.js";
import { STRUCTURES } from "./run.js";
import { SITES } from "./sites.js";

/** @typedef {import("./run.js").Run} Run */

/** @param {string} id @returns {HTMLElement} */
export const element = (id) => /** @type {HTMLElement} */ (document.getElementById(id));

/** @param {number | null | undefined} value @param {number} decimals @param {string} unit @returns {string} */
export const shown = (value, decimals, unit) => (value === null || value === undefined ? "not measured" : `${value.toFixed(decimals)} ${unit}`.trim());

/** @param {number} n @param {string} one @param {string} more */
const counted = (n, one, more) => `${n} ${n === 1 ? one : more}`;

/** @param {HTMLElement} list @param {[string, string][]} rows */
export function definitions(list, rows) {
  list.replaceChildren(...rows.flatMap(([term, value]) => {
    const dt = document.createElement("dt"), dd = document.createElement("dd");
    dt.textContent = term;
    dd.textContent = value;
    return [dt, dd];
  }));
}

/** @param {(structure: typeof STRUCTURES[number]) => void} choose */
export function buildStructures(choose) {
  const words = { lumen: "lumen (1)", eem: "EEM (2)", stent: "stent (3)" };
  for (const structure of STRUCTURES) {
    const label = document.createElement("label"), radio = document.createElement("input");
    Object.assign(radio, { type: "radio", name: "structure", value: structure, checked: structure === "lumen" });
    radio.addEventListener("change", () => choose(structure));
    const swatch = svg("svg", { class: "swatch", viewBox: "0 0 34 14", "aria-hidden": "true" });
    swatch.append(svg("line", { class: `line ${structure}`, x1: "1", x2: "33", y1: "7", y2: "7" }));
    label.append(radio, swatch, words[structure]);
    element("structures").append(label);
  }
}

/** @param {string} words @param {string} key @param {() => void} act @returns {HTMLButtonElement} */
export function button(words, key, act) {
  const made = document.createElement("button");
  made.type = "button";
  const hint = document.createElement("kbd");
  hint.textContent = key;
  made.append(words, hint);
  made.addEventListener("click", act);
  element("actions").append(made);
  return made;
}

const STATES = /** @type {Record<string, string>} */ ({
  automatic: "not reviewed", influenced: "followed a neighbour, not reviewed", edited: "edited", accepted: "accepted", rejected: "rejected",
});

/** @param {Run} run @param {number} frame */
export function showNumbers(run, frame) {
  const n = run.numbers, at = frame - 1, { summary } = run;
  /** @type {[string, string][]} */
  const rows = [["Frame", `${frame} of ${run.n}`]];
  if (summary.in_mm) rows.push(["Position", shown(n.position_mm[at], 2, "mm")]);
  if (n.time_s[at] !== null) rows.push(["Time", shown(n.time_s[at], 2, "s")]);
  rows.push(["Lumen", shown(n.lumen_area_mm2[at], 2, "mm²")]);
  const low = n.lumen_min_diameter_mm[at], high = n.lumen_max_diameter_mm[at];
  if (low !== null) rows.push(["Lumen diameters", `${low.toFixed(2)} - ${high.toFixed(2)} mm`]);
  rows.push(["EEM", shown(n.eem_area_mm2[at], 2, "mm²")], ["Plaque burden", shown(n.plaque_burden_pct[at], 0, "%")]);
  if (n.stent_area_mm2[at] !== null) rows.push(["Stent", shown(n.stent_area_mm2[at], 2, "mm²")]);
  rows.push(["Confidence", shown(n.confidence[at], 2, "")], ["State", STATES[n.state[at]]]);
  const words = n.flags[at].split(";").filter((/** @type {string} */ w) => w && !["edited", "influenced", "rejected"].includes(w));
  if (words.length) rows.push(["Flags", words.join(", ").replaceAll("_", " ")]);
  definitions(element("numbers"), rows);
}

/** @param {Run} run @param {number} frame @returns {string} */
export function sentence(run, frame) {
  const n = run.numbers, at = frame - 1;
  const place = run.summary.in_mm && n.position_mm[at] !== null ? `, ${n.position_mm[at].toFixed(2)} mm` : "";
  return `Frame ${frame}${place}, lumen ${shown(n.lumen_area_mm2[at], 2, "mm²")}, EEM ${shown(n.eem_area_mm2[at], 2, "mm²")}, ${STATES[n.state[at]]}`;
}

/** @param {Run} run */
export function showQueue(run) {
  const f = run.figures;
  const all = f.stretches_read + f.stretches_left;
  const bar = /** @type {HTMLProgressElement} */ (element("queue-bar"));
  bar.value = all ? f.stretches_read / all : 1;
  const text = element("queue-text");
  text.className = f.enough ? "enough" : "";
  const chance = `${(100 * f.nothing_changes).toFixed(f.nothing_changes > 0.95 ? 1 : 0)} %`;
  text.textContent = f.enough
    ? `Enough read: with a probability of ${chance} further reading would change no size, length or verdict.`
    : `${counted(f.stretches_left, "stretch", "stretches")} to check: doubtful, or decisive. Chance that reading them would change nothing: ${chance}.`;
  element("queue-assumed").textContent = `Assumed: ${f.assumed}.`;
  const states = run.numbers.state;
  const reviewed = states.filter((/** @type {string} */ s) => !["automatic", "influenced"].includes(s)).length;
  element("progress").textContent = `${counted(f.stretches_left, "stretch", "stretches")} left to check, ${counted(reviewed, "frame", "frames")} reviewed`;
  element("caution").textContent = f.caution;
}

/** @param {Run} run @param {(name: string, frame: number) => void} place @param {(frame: number) => void} go */
export function showSites(run, place, go) {
  element("sites-unit").textContent = run.unit;
  const body = /** @type {HTMLElement} */ (element("sites").querySelector("tbody"));
  if (body.contains(document.activeElement) && document.activeElement instanceof HTMLInputElement) return;
  const found = run.figures.sites;
  const rows = SITES.filter(({ name, always }) => always || found[name]).map(({ name, words, shape }) => {
    const row = document.createElement("tr"), head = document.createElement("th"), cell = document.createElement("td"), area = document.createElement("td");
    head.scope = "row";
    head.append(glyph(shape), words);
    const input = document.createElement("input");
    const record = found[name];
    const at = record ? run.place(record.frame) : null;
    Object.assign(input, { type: "number", step: "any", value: at === null ? "" : at.toFixed(run.unit === "frame" ? 0 : 2) });
    input.setAttribute("aria-label", `${words}, ${run.unit}`);
    input.addEventListener("change", () => {
      if (input.value === "" || !Number.isFinite(Number(input.value))) return;
      const frame = run.frameAt(Number(input.value));
      input.blur();
      place(name, frame);
      go(frame);
    });
    cell.append(input);
    area.textContent = record?.lumen_area_mm2 == null ? "-" : record.lumen_area_mm2.toFixed(2);
    area.title = record ? `placed by the ${record.by}` : "";
    row.append(head, cell, area);
    return row;
  });
  body.replaceChildren(...rows);
  const f = run.figures, parts = [];
  if (f.length_mm !== null) parts.push(`landing to landing ${f.length_mm.toFixed(1)} mm`);
  if (f.area_stenosis_pct !== null) parts.push(`area stenosis ${f.area_stenosis_pct.toFixed(0)} %`);
  if (f.smallest_stent) parts.push(`smallest stent area ${f.smallest_stent.stent_area_mm2.toFixed(2)} mm² (frame ${f.smallest_stent.frame})`);
  element("sites-text").textContent = parts.join(", ");
}

/** @param {Run} run */
export function showSaid(run) {
  const { findings, stent, rulers } = run.operator, lines = [];
  for (const one of findings) lines.push(`${one.kind.replaceAll("_", " ")}, frames ${one.first}-${one.last}`);
  if (stent === false) lines.push("no stent");
  if (stent) lines.push(`stent, frames ${stent.first}-${stent.last}`);
  for (const one of rulers) lines.push(`ruler in frame ${one.frame}: ${one.length_mm} mm stated, ${one.measured_mm.toFixed(2)} mm measured${one.use === "set" ? ", sets the scale" : ""}`);
  element("said").replaceChildren(...lines.map((line) => {
    const item = document.createElement("li");
    item.textContent = line;
    return item;
  }));
}

/** @param {string} caption @param {string[]} headings @param {string[][]} rows @returns {HTMLTableElement} */
function table(caption, headings, rows) {
  const made = document.createElement("table"), title = document.createElement("caption"), body = document.createElement("tbody");
  title.textContent = caption;
  const head = document.createElement("tr");
  head.append(...headings.map((text) => { const th = document.createElement("th"); th.scope = "col"; th.textContent = text; return th; }));
  const thead = document.createElement("thead");
  thead.append(head);
  body.append(...rows.map((cells) => {
    const row = document.createElement("tr");
    row.append(...cells.map((text) => { const td = document.createElement("td"); td.textContent = text; return td; }));
    return row;
  }));
  made.append(title, thead, body);
  return made;
}

/** @param {string} text @returns {HTMLElement} */
function paragraph(text) {
  const made = document.createElement("p");
  made.textContent = text;
  return made;
}

/** @param {any} decision */
export function showDecision(decision) {
  const { plan, assessment } = decision;
  /** @type {HTMLElement[]} */
  const parts = [];
  if (plan.reason) parts.push(paragraph(`No plan: ${plan.reason}.`));
  else {
    const length = plan.length_mm === null ? "not known" : `${plan.length_mm.toFixed(1)} mm, standard uncertainty ${plan.length_sd_mm?.toFixed(1) ?? "not known"}`;
    parts.push(paragraph(`Length: ${length}.`), table("Size by each method, mm", ["method", "read", "size"], plan.methods.map((/** @type {any} */ m) => [m.title, m.measured_mm?.toFixed(2) ?? "-", m.diameter_mm?.toFixed(2) ?? "-"])));
    for (const note of plan.notes) parts.push(paragraph(`${note}.`));
  }
  if (assessment.reason) parts.push(paragraph(`No assessment: ${assessment.reason}.`));
  else parts.push(paragraph(`Smallest stent area ${shown(assessment.msa_read_mm2, 2, "mm²")} read.`), table("Published criteria", ["criterion", "value", "verdict"], assessment.rules.map((/** @type {any} */ r) => [r.id, typeof r.value === "number" ? r.value.toFixed(2) : "-", r.verdict.replaceAll("_", " ")])));
  parts.push(paragraph(decision.caution));
  element("decided").replaceChildren(...parts);
}
