// Everything else that an operator does: hold, OK sheet, aims, events, hand readings; and the record.
import { by, deed, el, fill, keep, part, say } from "./dom.js";
import { store } from "./link.js";
import { count, inkName, many, outcome, pct } from "./words.js";
import { keysMoved, lanes, now, pressUnit, unitNames } from "./facts.js";
import { isAsked, yes } from "./ledger.js";
import { signIn } from "./door.js";
import { sure } from "./sure.js";
import { request } from "./request.js";
import { aims, drawAims } from "./aims.js";
import { coverage, drawCoverage } from "./coverage.js";
import { colour, colourFacts, colourLines } from "./colour.js";
import { strip, stripFacts, stripLines } from "./strip.js";

export async function acknowledge(row) {
  if (!store.me) { signIn(); return; }
  const grave = { move_failed: "Keys may stand elsewhere than they should. The service goes on from where they are read back now.", fate_unknown: "Nobody knows whether the keys moved. The service goes on from where they are read back now.", other_instance: "Two services on one press: stop one of them first." }[row.code];
  if (grave && !(await sure("Have you looked at the press?", [row.text, grave], "Yes, go on"))) return;
  await request("acknowledge", { code: row.code, ...(row.unit ? { unit: row.unit } : {}) }, "Noted.");
}

export function drawDeeds(all) {
  const wanted = all.filter((lane) => lane.proposal && !isAsked(lane.proposal)), keys = wanted.reduce((sum, lane) => sum + keysMoved(lane.proposal), 0);
  const holding = store.parts.now?.holding, run = store.parts.now?.run;
  const signed = Boolean(store.me), ids = wanted.map((lane) => lane.proposal.proposal_id);
  const label = !wanted.length ? "Nothing to decide" : `${signed ? "Yes to all shown" : "Sign in to say yes"}: ${many(wanted.length, "ink")}, ${many(keys, "key")}`;
  keep(by("deeds"), [label, ids, Boolean(holding), Boolean(run), Boolean(run?.scans?.length)], () => [
    deed(label, () => yes(current(ids)), { class: "deed yes", off: !wanted.length, "data-key": "all" }),
    holding ? deed("Release", release, { "data-key": "hold" }) : deed("Hold", () => request("hold", {}, "On hold: nothing is proposed, nothing moves."), { "data-key": "hold", off: !run }),
    deed("OK sheet…", okSheet, { "data-key": "ok", off: !run?.scans?.length }),
    el("button", { type: "button", "data-key": "more", onclick: openBook }, "More…")]);
}

/** The lanes of these proposals, as they stand now. */
const current = (ids) => lanes().filter((lane) => lane.proposal && ids.includes(lane.proposal.proposal_id));

async function release() {
  if (!store.me) { signIn(); return; }
  if (await sure("Release the hold?", [store.parts.now?.holding ?? ""], "Release")) await request("release", {}, "Released.");
}

const OK_AIMS = { title: "What is the measure?", options: [
  { value: "ink", text: "one aim for each ink", more: "the mean over the sheet: zones that differ are brought to it" },
  { value: "zone", text: "an aim for each zone", more: "every zone stays as it is on this sheet" }] };

async function okSheet() {
  if (!store.me) { signIn(); return; }
  const scans = [...store.parts.now.run.scans].reverse(), out = lanes().reduce((sum, lane) => sum + lane.out.length, 0);
  const sides = new Set(scans.map((scan) => scan.side)).size > 1;
  const name = (scan) => `sheet ${count(scan.sheet)}${sides ? `, ${scan.side}` : ""}`;
  const lines = ["Its densities are the aims from now on, with the tolerance of the run."];
  if (out) lines.push(`${many(out, "zone")} on the last sheet read are out of tolerance.`);
  const pick = { title: "Which sheet?", options: scans.map((scan) => ({ value: scan.scan_id, text: name(scan) })) };
  const said = await sure("Is this how it shall look?", lines, "Yes, this is the OK sheet", { choice: OK_AIMS, pick });
  if (!said) return;
  const scan = scans.find((each) => each.scan_id === said.picked);
  await request("ok_sheet", { scan_id: scan.scan_id, per_zone: said.way === "zone" }, `The OK sheet is ${name(scan)}, with ${OK_AIMS.options.find((each) => each.value === said.way).text}.`);
}

function openBook() {
  fill(by("book"), el("div", { class: "row" }, el("h2", { id: "book-title", text: "More" }), el("button", { type: "button", "data-key": "shut", onclick: () => by("book").close() }, "Close")),
    el("div", { id: "book-waste" }), events(), aims(unitChoice("aim-unit")), coverage(unitChoice("coverage-unit")), colour(), strip(), hand(), job(), el("div", { id: "book-record" }), look());
  drawBook();
  by("book").showModal();
}

/** What changes by itself in it; what is being typed there stays. */
export function drawBook() {
  if (!by("book-waste")) return;
  keep(by("book-waste"), store.parts.waste, waste);
  keep(by("book-record"), store.parts.outcomes, record);
  keep(by("book-colour"), colourFacts(), colourLines);
  keep(by("book-strip"), stripFacts(), stripLines);
  drawAims();
  drawCoverage();
}

function waste() {
  const row = store.parts.waste ?? {};
  return part("Waste of this run", el("p", { text: `${many(row.not_good ?? 0, "sheet")} not good; ${row.out ?? 0} printed with a zone out of tolerance, ${row.unread ?? 0} before the first reading.${row.not_told ? ` Of ${row.not_told} nobody said whether they were good.` : ""}` }));
}

function events() {
  const names = { wash: "Washed", ink: "New ink", paper: "Other paper", water: "Water changed", speed: "Speed changed", plate: "New plate", blade: "Blade touched" };
  return part("Something happened at the press", el("div", { class: "row" }, ...Object.entries(names).map(([what, name]) =>
    deed(name, () => request("event", { what }, `${name}: noted, what is known of the film is taken less surely.`), { "data-key": `event-${what}` }))));
}

const unitChoice = (key) => el("select", { "aria-label": "Unit", "data-key": key }, ...unitNames().filter((name) => now(name).ink).map((name) => el("option", { value: name }, `${inkName(now(name).ink)} (${name})`)));
const figure = (label, key, props) => el("input", { type: "number", "aria-label": label, "data-key": key, ...props });

function hand() {
  const unit = unitChoice("hand-unit"), zone = figure("Zone", "hand-zone", { min: 1, max: 96, step: 1 }), density = figure("Density in D", "hand-density", { step: 0.01, min: 0, max: 6 });
  return part("Reading by hand, of the sheet that prints now", el("div", { class: "row" }, unit, el("label", {}, "zone ", zone), el("label", {}, "D ", density),
    deed("Enter", () => enter(unit, zone, density), { "data-key": "hand-enter" })));
}

/** An empty field is nothing, not 0. */
async function enter(unit, zone, density) {
  const empty = [zone, density].find((field) => !Number.isFinite(field.valueAsNumber));
  if (empty) { say(`${empty === zone ? "Zone" : "Density"}: nothing, expected a number.`, true); empty.focus(); return; }
  const reply = await request("reading", { unit: unit.value, zone: zone.valueAsNumber, density: density.valueAsNumber }, "Taken into account.");
  if (reply.good) density.value = "";
}

function job() {
  const known = store.parts.now?.recall ?? [];
  const pick = el("select", { "aria-label": "Job", "data-key": "recall" }, ...known.map((name) => el("option", { value: name }, name)));
  return part("Begin a job", el("div", { class: "row" }, deed("Propose an opening from the coverage", () => request("opening", {}, "Openings are proposed."), { "data-key": "opening" }),
    known.length ? pick : null, known.length ? deed("Propose the settings of that job", () => request("recall", { job_id: pick.value }, "Settings are proposed."), { "data-key": "recall-go" }) : el("span", { class: "dim", text: "no job's settings are stored yet" })));
}

function record() {
  const rows = [...(store.parts.outcomes ?? [])].reverse();
  return part("Record of decisions", el("ul", {}, ...rows.map((row) => el("li", { text: `${new Date(row.at).toLocaleTimeString()} sheet ${count(row.sheet)}: ${outcome(row, now(row.unit).ink)}` })), rows.length ? null : el("li", { class: "dim", text: "none yet" })));
}

function look() {
  const flip = () => {
    const tone = document.documentElement.dataset.tone === "dark" ? "light" : "dark";
    document.documentElement.dataset.tone = tone;
    try { localStorage.setItem("tone", tone); } catch (error) { console.info("the tone is not kept", String(error)); }
  };
  return part("Look", el("div", { class: "row" }, el("button", { type: "button", "data-key": "tone", onclick: flip }, "Light or dark")),
    el("p", { class: "dim", text: unitNames().map((name) => `${name}: ${pressUnit(name).zones} zones, blade ${pressUnit(name).blade}, least gap ${pressUnit(name).min_gap_um} µm, sweep ${pct(now(name).sweep_pct)} %`).join("; ") }));
}
