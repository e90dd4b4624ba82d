// @ts-check
/** The sites that may be marked: five along every lesion, and four of the left main. Shapes and words, never colour alone. */

/** @type {{ name: string, words: string, shape: string, always: boolean }[]} */
export const SITES = [
  { name: "distal_reference", words: "distal reference", shape: "M8 1.5 14.5 8 8 14.5 1.5 8Z", always: true },
  { name: "distal_landing", words: "distal landing", shape: "M1.5 2.5H14.5L8 14Z", always: true },
  { name: "mla", words: "MLA", shape: "M2 5.5H14V10.5H2Z", always: true },
  { name: "proximal_landing", words: "proximal landing", shape: "M8 2 14.5 13.5H1.5Z", always: true },
  { name: "proximal_reference", words: "proximal reference", shape: "M8 1.8A6.2 6.2 0 1 1 7.99 1.8Z", always: true },
  { name: "lad_ostium", words: "LAD ostium", shape: "M2 2H14V6H10V14H6V6H2Z", always: false },
  { name: "lcx_ostium", words: "LCX ostium", shape: "M2 14H14V10H10V2H6V10H2Z", always: false },
  { name: "confluence", words: "confluence", shape: "M6 2H10V6H14V10H10V14H6V10H2V6H6Z", always: false },
  { name: "left_main", words: "left main", shape: "M2 2H14V14H2Z", always: false },
];
