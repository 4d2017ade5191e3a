// The colour of each ink's solids against its aim, and the density of this ink that comes closest to it.
import { deed, el, part } from "./dom.js";
import { store } from "./link.js";
import { D, inkName } from "./words.js";
import { now, unitNames } from "./facts.js";
import { request } from "./request.js";

const known = () => Object.entries(store.parts.reading?.colour ?? {}).filter(([unit]) => unitNames().includes(unit) && now(unit).ink);
const signed = (value) => `${value < 0 ? "−" : "+"}${Math.abs(value).toFixed(1)}`;

/** Units whose colour another density would bring nearer than their aim. */
export const offers = () => known().filter(([unit, row]) => row.closest && !now(unit).aim?.every((aim) => Math.abs(aim - row.closest.density) < 0.015));

const words = (row) => `colour ${row.delta_e_00.toFixed(1)} from its aim (ΔE00); ${D(row.closest.density)} D comes closest, ${row.closest.delta_e_00.toFixed(1)} away`;

/** One offer: told, and taken as the aim on a yes. */
export function offer([unit, row]) {
  return el("p", { class: "offer row" }, el("b", { text: inkName(now(unit).ink) }), ` ${words(row)}. `,
    deed(`Aim at ${D(row.closest.density)} D`, () => request("aims", { unit, aim: row.closest.density }, `${inkName(now(unit).ink)} is held at ${D(row.closest.density)} D from now on.`), { "data-key": `offer-${unit}` }));
}

/** The section of the book. */
export const colour = () => part("Colour of the solids, mean of the last sheet read", el("div", { id: "book-colour" }));

/** Its lines. */
export function colourLines() {
  const rows = known();
  if (!rows.length) return [el("p", { class: "dim", text: "No spectra were read: densities alone have no colour." })];
  return rows.map(([unit, row]) => el("p", {}, el("b", { text: inkName(now(unit).ink) }),
    ` L* ${row.lab[0].toFixed(1)}, a* ${signed(row.lab[1])}, b* ${signed(row.lab[2])}${row.measured ? ` (${row.measured})` : ""}${row.delta_e_00 === null ? "" : `; ${row.delta_e_00.toFixed(1)} from its aim (ΔE00)${row.limit === null ? "" : `, ${row.limit} allowed`}`}. ${row.text[0].toUpperCase()}${row.text.slice(1)}.`));
}

/** What they are drawn from. */
export const colourFacts = () => [known(), unitNames().map((unit) => now(unit).ink)];
