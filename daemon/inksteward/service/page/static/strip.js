// What the strip shows beside the solids: tone values, contrast, trap, hue and grey. Told, not steered.
import { el, part } from "./dom.js";
import { store } from "./link.js";
import { D, inkName } from "./words.js";
import { now, unitNames } from "./facts.js";

const known = () => Object.entries(store.parts.reading?.quantities ?? {}).filter(([unit]) => unitNames().includes(unit) && now(unit).ink);
const grey = () => store.parts.reading?.grey ?? null;
const whole = (value) => value.toFixed(0);

/** The section of the book. */
export const strip = () => part("What else the strip shows, last sheet read", el("div", { id: "book-strip" }));

/** What it is drawn from. */
export const stripFacts = () => [known(), grey(), unitNames().map((unit) => now(unit).ink)];

/** Its lines: one an ink, and one of grey. */
export function stripLines() {
  const rows = known();
  if (!rows.length && !grey()) return [el("p", { class: "dim", text: "No tints, overprints or grey were read on this strip." })];
  return [...rows.map(([unit, row]) => el("p", {}, el("b", { text: inkName(now(unit).ink) }), ` ${inkWords(row).join("; ") || "solids alone"}.`)),
    ...(grey() ? [el("p", {}, el("b", { text: "Grey" }), ` ${greyWords(grey())}.`)] : [])];
}

function inkWords(row) {
  const tones = Object.entries(row.tone_value_pct).sort(([a], [b]) => a - b).map(([nominal, value]) => `the ${nominal} % tint prints as ${whole(value)} %`);
  const traps = Object.entries(row.trap_pct).filter(([first]) => unitNames().includes(first)).map(([first, value]) => `lies on ${inkName(now(first).ink).toLowerCase()} with ${whole(value)} % trap`);
  return [...tones, ...(row.print_contrast_pct === null ? [] : [`print contrast ${whole(row.print_contrast_pct)} %`]), ...traps,
    ...(row.hue_error_pct === null ? [] : [`hue error ${whole(row.hue_error_pct)} %`]), ...(row.greyness_pct === null ? [] : [`greyness ${whole(row.greyness_pct)} %`])];
}

function greyWords(seen) {
  const read = `reads ${["C", "M", "Y"].map((name) => `${D(seen.density[name])} ${inkName(name).toLowerCase()}`).join(", ")}`;
  return seen.lean_d === null ? `${read}; nothing to compare with before there is an OK sheet` : `${read}; leans by ${D(seen.lean_d)} D towards ${inkName(seen.most).toLowerCase()} against the OK sheet`;
}
