// Puts the page together: what changed is drawn anew, nothing else.
import { by, deed, el, fill, keep, svg } from "./dom.js";
import { hear, open, store } from "./link.js";
import { D, PHASE, count, inkName, many, pct, plain } from "./words.js";
import { lanes, standing, underWay, unitNames, worst } from "./facts.js";
import { drawPlan } from "./plan.js";
import { drawLedger, tickLedger, watchPlaces } from "./ledger.js";
import { drawZone } from "./zone.js";
import { drawWho } from "./door.js";
import { acknowledge, drawBook, drawDeeds } from "./desk.js";

/** Our own sign: a dot within its brackets, or beside them. */
export function gate(inside) {
  return svg("svg", { class: "gate", viewBox: "0 0 48 48", "aria-hidden": "true" },
    svg("path", { d: "M14 8H7v32h7M26 8h7v32h-7" }), svg("circle", { cx: inside === null ? -9 : inside ? 20 : 42, cy: 24, r: 5.5 }));
}

function drawFacts() {
  const at = store.parts.now, status = store.parts.status;
  by("press").textContent = at?.press ?? "Inksteward";
  document.title = at?.press ? `${at.press} · Inksteward` : "Inksteward";
  const run = at?.run;
  const speed = !run ? null : !run.counter_live ? "sheet counter silent" : run.printing ? `${count(run.speed_sph)} sheets an hour` : "standing";
  const reading = store.parts.reading, ago = reading && run?.sheet ? Math.max(0, run.sheet - reading.sheet) : null;
  const read = reading ? `last read on sheet ${count(reading.sheet)}${ago ? `, ${many(ago, "sheet")} ago` : ""}` : null;
  const bits = run
    ? [run.job_id, run.run_id, PHASE[run.phase], run.sheet === null ? null : `sheet ${count(run.sheet)}`, speed, read]
    : ["no job yet"];
  fill(by("facts"), ...bits.filter(Boolean).map((bit) => el("span", { text: bit })),
    at?.holding ? el("span", {}, el("b", { text: `ON HOLD: ${at.holding}` })) : null,
    status?.bench ? el("span", { text: "bench: simulated press" }) : null);
}

/** Zones within tolerance once everything has settled: after a yes to all, and as the keys stand; and from when on. */
function prospects(all) {
  const judged = all.flatMap((lane) => lane.cells).filter((cell) => cell.then !== null && cell.aim !== null);
  const within = (value, cell) => value !== null && value >= cell.low && value <= cell.high;
  const by = Math.max(0, ...all.flatMap((lane) => (lane.proposal?.moves ?? []).map((move) => move.settled_by_sheet)));
  const stay = judged.some((cell) => cell.asIs !== null) ? judged.filter((cell) => within(cell.asIs, cell)).length : null;
  return { yes: judged.filter((cell) => within(cell.then, cell)).length, stay, of: judged.length, edited: all.flatMap((lane) => lane.cells).filter((cell) => cell.unsure).length, by };
}

/** The proposed move of the zone that is farthest from its aim, in words. */
function urgent(all) {
  const found = all.filter((lane) => lane.proposal).map((lane) => ({ lane, ...worst({ cells: lane.cells.filter((cell) => cell.move) }) })).filter((each) => each.cell);
  if (!found.length) return null;
  const { lane, cell } = found.reduce((most, each) => (each.size > most.size ? each : most));
  return `Most urgent: ${inkName(lane.ink)} zone ${cell.zone} reads ${D(cell.density)}, aim ${D(cell.aim)}: ${cell.to > cell.move.from_pct ? "opens" : "closes"} ${pct(cell.move.from_pct)} → ${pct(cell.to)} %.`;
}

const FEW = 5; // inks that are named one by one

function advice() {
  const noted = [...(store.parts.reading?.notes ?? []), ...unitNames().flatMap((name) => standing(name)?.notes ?? [])];
  return noted.filter((note) => note.code === "wait_then_pull").map((note) => note.text);
}

const named = (some) => some.map((lane) => `${inkName(lane.ink)} ${lane.out.length}`).join(", ");

/** Many inks are out: how many, and the worst; then the shorter list, of those that are out or of those that are not. */
function crowd(all, out, told) {
  const order = out.map((lane) => [worst(lane).size, lane]).sort((a, b) => b[0] - a[0]).map((pair) => pair[1]);
  const well = all.filter((lane) => !lane.out.length), whole = !well.length;
  return [`${told}, in ${whole ? `all ${all.length}` : `${out.length} of ${all.length}`} inks; worst: ${named(order.slice(0, 1))}.`,
    whole ? null : well.length < out.length ? `All in: ${well.map((lane) => inkName(lane.ink)).join(", ")}.` : `Out: ${named(order)}.`];
}

/** Whether everything that was read is where it should be, by the service's own word. */
const calm = (all) => all.every((lane) => !lane.read || lane.read.no_proposal === null || lane.read.no_proposal === "in_tolerance");

function drawWord(all) {
  const reading = store.parts.reading;
  const read = all.flatMap((lane) => lane.cells.filter((cell) => cell.density !== null && cell.aim !== null));
  const out = all.filter((lane) => lane.out.length);
  const total = out.reduce((sum, lane) => sum + lane.out.length, 0);
  const proposals = all.filter((lane) => lane.proposal);
  const unread = all.reduce((sum, lane) => sum + lane.unread, 0), isOut = `zones ${total === 1 ? "is" : "are"} out`;
  let head, lines = [];
  if (!reading || !read.length) head = "No sheet has been read in this run.";
  else if (!total) head = unread ? `${many(read.length, "zone")} in tolerance; ${unread} not read.` : `All ${read.length} zones are in tolerance.`;
  else if (out.length <= FEW) head = `${total} of ${read.length} ${isOut}: ${named(out)}.`;
  else [head, ...lines] = crowd(all.filter((lane) => lane.read), out, `${total} zones are out`);
  if (total && unread) lines.push(`${many(unread, "zone")} ${unread === 1 ? "was" : "were"} not read.`);
  const moving = all.filter(underWay).map((lane) => inkName(lane.ink));
  if (proposals.length) {
    const { yes, stay, of, edited: own, by: sheet } = prospects(all);
    lines.push(`Yes to ${proposals.length > FEW ? many(proposals.length, "ink") : proposals.map((lane) => inkName(lane.ink)).join(", ")}: ${yes === of ? `all ${of}` : `${yes} of ${of}`} zones settle in tolerance${sheet ? ` by sheet ${count(sheet)}` : ""}${stay === null ? "" : `; as the keys stand, ${stay}`}${own ? `; ${many(own, "edited move")} without a forecast` : ""}.`, urgent(all));
  } else if (moving.length) lines.push(`Keys of ${moving.join(", ")} are moving.`);
  else if (reading) lines.push(`Nothing is proposed${total || unread || !calm(all) ? "." : ": nothing needs to move."}`);
  keep(by("word"), [head, lines, advice(), total, unread], () => [gate(!reading || !read.length || (!total && unread) ? null : total === 0), el("h2", { text: head }),
    el("div", {}, ...lines.filter(Boolean).map((text) => el("p", { text })), ...advice().map((text) => el("p", { class: "wait", text })))]);
}

function drawAlarms() {
  const rows = store.parts.alarm?.alarms ?? [];
  keep(by("alarms"), rows, () => rows.map((row) => el("div", { role: "alert" },
    el("b", { text: `${plain(row.code)}${row.unit ? `, ${row.unit}` : ""}${row.zone ? ` zone ${row.zone}` : ""}${row.count > 1 ? ` (${row.count} times)` : ""}` }),
    el("span", { text: `${row.text}. What to do: ${row.remedy}.` }),
    row.latched ? deed("I have seen to it", () => acknowledge(row), { "data-key": `ack-${row.code}-${row.unit}` }) : null)));
}

const shapes = ["reading", "press", "units"];
function redraw(names) {
  const proposals = [...names].some((name) => name.startsWith("proposal/"));
  const plan = proposals || shapes.some((name) => names.has(name)) || names.has("edit");
  const all = lanes();
  if (names.has("now") || names.has("status") || names.has("reading")) drawFacts();
  if (plan || names.has("now")) drawWord(all);
  if (plan) drawPlan(all);
  if (plan) drawLedger(all);
  if (names.has("alarm") || names.has("me")) drawAlarms();
  if (names.has("me") || names.has("people")) drawWho();
  if (plan || names.has("me") || names.has("now")) drawDeeds(all);
  if (plan || names.has("me") || names.has("now")) drawZone(names);
  if (["now", "outcomes", "waste", "me", "units", "reading"].some((name) => names.has(name))) drawBook();
  watchPlaces();
}

/** Something was edited here: draw as if it had come from the service. */
export const edited = () => redraw(new Set(["edit"]));

function tone() {
  let kept = null;
  try { kept = localStorage.getItem("tone"); } catch (error) { console.info("no memory for the tone", String(error)); }
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const follow = () => { document.documentElement.dataset.tone = kept ?? (dark.matches ? "dark" : "light"); };
  dark.addEventListener("change", follow);
  follow();
}

tone();
hear(redraw);
drawFacts();
drawWord([]);
drawDeeds([]);
drawWho();
open();
setInterval(() => { if (tickLedger()) redraw(new Set(["units"])); }, 1000);
