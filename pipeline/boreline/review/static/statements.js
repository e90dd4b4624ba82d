// @ts-check
/** What an operator may state besides lines, as a form: one description per kind. */

/** @typedef {{ kind: string, words: string, range?: boolean, one?: boolean, points?: "may" | "must" | "spot", choices?: Record<string, [string, string][]>, length?: boolean }} Statement */

/** @type {Statement[]} */
export const STATEMENTS = [
  { kind: "bridge", words: "border hidden between two points: bridge it", one: true, points: "must" },
  { kind: "eem_not_measurable", words: "EEM not measurable", range: true },
  { kind: "branch", words: "side branch opens", range: true, points: "may" },
  { kind: "place", words: "where the transducer is", range: true, choices: { where: [["in_guide", "in the guide catheter"], ["outside_vessel", "outside the vessel"], ["in_vessel", "inside the vessel"]] } },
  { kind: "stent", words: "stent from - to", range: true },
  { kind: "no_stent", words: "no stent in this run" },
  { kind: "dissection", words: "dissection", range: true, points: "may", choices: { depth: [["intima", "to the intima"], ["media", "to the media"], ["adventitia", "to the adventitia"]], side: [["distal", "distal edge"], ["proximal", "proximal edge"], ["within", "within"]] } },
  { kind: "calcified_nodule", words: "calcified nodule", range: true },
  { kind: "attenuated_plaque", words: "attenuated plaque", range: true, points: "may" },
  { kind: "tissue_protrusion", words: "tissue protrusion", range: true },
  { kind: "reject", words: "reject frames", range: true },
  { kind: "accept", words: "accept frames", range: true },
  { kind: "reopen", words: "reopen frames", range: true },
  { kind: "ruler", words: "known length between two points", one: true, points: "must", length: true, choices: { use: [["check", "check the scale"], ["set", "set the scale"]] } },
];

/** @param {string} text @param {HTMLElement} field @param {string} [style] @returns {HTMLLabelElement} */
function labelled(text, field, style = "") {
  const label = document.createElement("label");
  label.className = style;
  label.append(text, field);
  return label;
}

/** @param {string} name @param {[string, string][]} choices @returns {HTMLSelectElement} */
function menu(name, choices) {
  const select = document.createElement("select");
  select.name = name;
  for (const [value, words] of choices) select.append(new Option(words, value));
  return select;
}

/** @param {string} name @param {number} value @param {number} max @param {string} step @returns {HTMLInputElement} */
function number(name, value, max, step) {
  const input = document.createElement("input");
  Object.assign(input, { name, type: "number", min: step === "1" ? "1" : "0.01", max: String(max), step, value: String(value), required: true });
  return input;
}

export class StatementForm {
  /**
   * @param {HTMLFormElement} form
   * @param {{ frame: () => number, n: () => number, structure: () => string, pick: (then: (points: [number, number][]) => void) => void, say: (edit: any, why: string) => void }} owner
   */
  constructor(form, owner) {
    this.form = form;
    this.owner = owner;
    /** @type {[number, number][]} */ this.points = [];
    this.kind = menu("kind", STATEMENTS.map(({ kind, words }) => [kind, words]));
    this.kind.addEventListener("change", () => this.build());
    form.addEventListener("submit", (event) => { event.preventDefault(); this.submit(); });
    this.build();
  }

  get statement() {
    return /** @type {Statement} */ (STATEMENTS.find(({ kind }) => kind === this.kind.value));
  }

  build() {
    this.points = [];
    const { range, points, choices, length } = this.statement, frame = this.owner.frame(), n = this.owner.n();
    /** @type {HTMLElement[]} */
    const fields = [labelled("What", this.kind, "wide")];
    if (range) fields.push(labelled("From frame", number("first", frame, n, "1")), labelled("To frame", number("last", frame, n, "1")));
    for (const [name, options] of Object.entries(choices ?? {})) fields.push(labelled(name, menu(name, options)));
    if (length) fields.push(labelled("Length, mm", number("length_mm", 1, 100, "any")));
    if (points) {
      const pick = document.createElement("button");
      pick.type = "button";
      pick.textContent = points === "must" ? "Pick two points on the picture" : "Pick its arc: two points, clockwise";
      pick.className = "wide";
      pick.addEventListener("click", () => this.owner.pick((found) => { this.points = found; pick.textContent = "Two points picked"; }));
      fields.push(pick);
    }
    const why = document.createElement("input");
    Object.assign(why, { name: "why", maxLength: 500 });
    const add = document.createElement("button");
    add.className = "wide";
    add.textContent = "State it";
    fields.push(labelled("Why (may stay empty)", why, "wide"), add);
    this.form.replaceChildren(...fields);
  }

  submit() {
    const { kind, range, one, points, choices, length } = this.statement;
    const values = new FormData(this.form);
    /** @type {any} */
    const edit = { kind };
    if (range) { edit.first = Number(values.get("first")); edit.last = Number(values.get("last")); }
    if (one) edit.frame = this.owner.frame();
    if (kind === "bridge") edit.structure = this.owner.structure();
    for (const name of Object.keys(choices ?? {})) edit[name] = values.get(name);
    if (length) edit.length_mm = Number(values.get("length_mm"));
    if (points && this.points.length === 2) [edit.from_px, edit.to_px] = this.points;
    this.owner.say(edit, String(values.get("why") ?? ""));
    this.build();
  }
}
