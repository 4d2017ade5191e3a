// The coverage of the form as an operator states it: one figure for every zone, or one for each.
import { by, deed, el, fill, part } from "./dom.js";
import { many, pct } from "./words.js";
import { now, pressUnit } from "./facts.js";
import { request } from "./request.js";

let field = null, choice = null;

/** The section of the book; `units` is its list of units. */
export function coverage(units) {
  choice = units;
  field = el("textarea", { rows: 2, "aria-label": "Coverage in %", "data-key": "coverage", spellcheck: "false", oninput: () => tell([]) });
  choice.onchange = () => { field.value = ""; tell([]); drawCoverage(); };
  return part("Coverage of the form",
    el("div", { class: "row" }, choice, deed("Set coverage", send, { "data-key": "set-coverage" })),
    el("label", { class: "grow" }, "% of each zone's area, from zone 1 on", field),
    el("p", { class: "dim", id: "coverage-now" }), el("div", { id: "coverage-told", role: "status" }));
}

/** What the service goes by. */
export function drawCoverage() {
  if (!by("coverage-now")) return;
  const known = now(choice.value).coverage, zones = pressUnit(choice.value)?.zones ?? 0;
  const said = known ? `Now ${pct(100 * Math.min(...known))} to ${pct(100 * Math.max(...known))} %, ${pct(100 * known.reduce((sum, each) => sum + each, 0) / known.length)} % in the mean.` : "Not known now.";
  by("coverage-now").textContent = `${said} One figure counts for all ${many(zones, "zone")}. How slowly each zone answers and what its opening should be follow from it; a change has the film of this ink learned anew.`;
}

async function send() {
  const words = field.value.split(/[\s;]+/).filter(Boolean), zones = pressUnit(choice.value)?.zones ?? 0;
  const values = words.map((word) => Number(word.replace(",", ".")));
  const odd = values.findIndex((value) => !(value >= 0 && value <= 100));
  if (odd >= 0) { tell([`figure ${odd + 1}: ${words[odd]}, expected 0 to 100`]); return; }
  if (values.length !== 1 && values.length !== zones) { tell([`${many(values.length, "figure")}, expected one, or ${zones}: one for each zone`]); return; }
  const shares = values.map((value) => value / 100), unit = choice.value;
  const reply = await request("coverage", { unit, coverage: shares.length === 1 ? shares[0] : shares }, "Coverage set.", true);
  if (unit !== choice.value) return;
  if (reply.good) field.value = "";
  tell(reply.good ? [] : reply.errors.length ? reply.errors.map((row) => `${row.field}: ${row.value}, expected ${row.expected}`) : [reply.text]);
}

function tell(lines) {
  field.toggleAttribute("aria-invalid", false);
  if (lines.length) { field.setAttribute("aria-invalid", "true"); field.focus(); }
  if (by("coverage-told")) fill(by("coverage-told"), ...lines.map((line) => el("p", { class: "bad", text: line })));
}
