// The aims of an ink: one for every zone, or one for each. What is typed stays until it is set or taken back.
import { by, deed, el, fill, part } from "./dom.js";
import { store } from "./link.js";
import { D, many, ranges } from "./words.js";
import { now, pressUnit, unitNames } from "./facts.js";
import { request } from "./request.js";

const typed = new Map(); // unit -> what was typed there: "all", "tolerance" or the number of a zone -> text
const TOLD = 3; // errors that are told one by one
let unit = null, drawn = null, ofRun = null, fields = new Map();

const edits = () => typed.get(unit) ?? typed.set(unit, new Map()).get(unit);
const zonesTyped = () => [...edits().keys()].filter((key) => typeof key === "number").sort((a, b) => a - b);

/** The section of the book; `choice` is its list of units. */
export function aims(choice) {
  unit = unitNames().includes(unit) && [...choice.options].some((each) => each.value === unit) ? unit : choice.value;
  choice.value = unit;
  choice.onchange = () => { unit = choice.value; tell([]); drawAims(); };
  drawn = null;
  fields = new Map();
  return part("Aims",
    el("div", { class: "row" }, choice, el("label", {}, "aim ", field("all", "Aim in D", { "data-key": "aim" })),
      el("label", {}, "± ", field("tolerance", "Tolerance in D, either side", { "data-key": "tolerance", min: 0.01, max: 0.5 })),
      deed("Set for every zone", setAll, { "data-key": "set-aim" })),
    el("details", { "data-key": "zone-aims" }, el("summary", { "data-key": "zone-aims-fold", id: "aim-fold" }),
      el("p", { class: "dim", text: "Enter goes on to the next zone, Shift and Enter back; arrow up and down change the aim by 0.01." }),
      el("div", { id: "aim-zones", role: "group", "aria-label": "Aim of each zone" }),
      el("div", { class: "row" }, deed("Set zone by zone", setZones, { class: "deed yes", "data-key": "set-zones" }),
        el("button", { type: "button", "data-key": "aims-back", onclick: () => { typed.delete(unit); tell([]); drawAims(); } }, "As they are"),
        el("span", { id: "aim-own" }))),
    el("div", { id: "aim-told", role: "status" }));
}

function field(key, label, props) {
  const made = el("input", { type: "number", step: 0.01, min: 0, max: 6, "aria-label": label, ...props,
    oninput: () => { edits().set(key, made.value); made.removeAttribute("aria-invalid"); drawAims(); } });
  fields.set(key, made);
  return made;
}

/** What the service says, in every field that nobody has typed in; the fields themselves stay. */
export function drawAims() {
  if (!store.parts.now) return; // a stream has just begun: nothing is known yet, and what is typed stays
  const run = store.parts.now.run?.run_id ?? null;
  if (run !== ofRun) { typed.clear(); ofRun = run; }
  if (!by("aim-zones")) return;
  const state = now(unit), zones = pressUnit(unit)?.zones ?? 0, values = state.aim ?? [];
  const kind = `${unit}:${zones}`;
  if (drawn !== kind) { build(zones); drawn = kind; }
  const low = Math.min(...values), high = Math.max(...values), same = values.length > 0 && high - low < 0.005;
  show("all", same ? D(values[0]) : "", values.length && !same ? `${D(low)} to ${D(high)}` : "");
  const [under, over] = values.length ? [state.aim[0] - state.low[0], state.high[0] - state.aim[0]] : [0, 0];
  const even = values.length > 0 && Math.abs(under - over) < 0.005;
  show("tolerance", even ? D(over) : "", values.length && !even ? `−${D(under)} +${D(over)}` : "");
  for (let zone = 1; zone <= zones; zone += 1) zoneField(zone, values[zone - 1]);
  by("aim-fold").textContent = `Zone by zone: ${!values.length ? "no aims yet" : same ? `${many(zones, "zone")}, all at ${D(values[0])}` : `${many(zones, "zone")}, ${D(low)} to ${D(high)}`}`;
  const own = zonesTyped();
  by("aim-own").textContent = own.length ? `Typed, not yet set: zone${own.length > 1 ? "s" : ""} ${ranges(own)}` : "";
}

function build(zones) {
  for (const key of [...fields.keys()]) if (typeof key === "number") fields.delete(key);
  fill(by("aim-zones"), ...Array.from({ length: zones }, (_, index) => {
    const zone = index + 1;
    return el("label", { class: "one-aim" }, el("span", { text: `zone ${zone}` }),
      field(zone, `Aim of zone ${zone} in D`, { "data-key": `aim-${zone}`, onkeydown: (event) => onward(event, zone) }), el("span", { class: "was" }));
  }));
}

function onward(event, zone) {
  if (event.key !== "Enter") return;
  event.preventDefault();
  const next = fields.get(zone + (event.shiftKey ? -1 : 1)) ?? by("book").querySelector('[data-key="set-zones"]');
  next.focus();
  next.select?.();
}

function show(key, value, placeholder) {
  const node = fields.get(key), text = edits().get(key) ?? value;
  if (!edits().has(key) && node.value !== text) node.value = text;
  if (edits().has(key) && node.value !== text && node !== document.activeElement) node.value = text;
  node.placeholder = placeholder;
}

function zoneField(zone, aim) {
  const before = aim === undefined ? "" : D(aim);
  show(zone, before, "");
  const own = edits().has(zone), line = fields.get(zone).closest(".one-aim");
  line.classList.toggle("own", own);
  line.querySelector(".was").textContent = own ? (before ? `was ${before}` : "new") : "";
}

/** A figure as typed, or the service's own, which has more decimals than are shown; null for an empty field. */
function figure(key, given) {
  if (!edits().has(key)) return given ?? null;
  const text = edits().get(key);
  return text === "" ? null : Number(text);
}

const missing = (name) => ({ field: name, value: "nothing", expected: "a density in D" });

/** The tolerance goes along only if it was typed: else the service keeps the one there is. */
function width(errors) {
  if (!edits().has("tolerance")) return {};
  const value = figure("tolerance");
  if (value === null) { errors.push(missing("tolerance")); return {}; }
  return { tolerance: [-value, value] };
}

async function setAll() {
  const given = now(unit).aim ?? [], errors = [];
  const aim = figure("all", given.length && Math.max(...given) - Math.min(...given) < 0.005 ? given[0] : null);
  if (aim === null) errors.push(missing("aim"));
  await send({ aim, ...width(errors) }, errors, (key) => key === "all" || key === "tolerance");
}

async function setZones() {
  const given = now(unit).aim ?? [], errors = [];
  const values = Array.from({ length: pressUnit(unit)?.zones ?? 0 }, (_, index) => figure(index + 1, given[index]));
  values.forEach((value, index) => { if (value === null) errors.push(missing(`aim.${index}`)); });
  await send({ aim: values, ...width(errors) }, errors, (key) => key !== "all");
}

async function send(members, missed, sent) {
  const mine = unit;
  if (missed.length) { tell(missed); return; }
  const reply = await request("aims", { unit: mine, ...members }, "Aims set.", true);
  if (reply.good) for (const key of [...(typed.get(mine)?.keys() ?? [])].filter(sent)) typed.get(mine).delete(key);
  if (mine !== unit) return;
  tell(reply.good ? [] : reply.errors, reply.good ? "" : reply.text);
  drawAims();
}

/** The zone that the name of a field means, or null. */
function zoneOf(name) {
  const found = /^aim\.(?:.*\.)?(\d+)$/.exec(name);
  return found ? Number(found[1]) + 1 : null;
}

/** Errors as field, value, expected; the fields they mean are marked, the first of them has the focus. */
function tell(errors, text = "") {
  const all = errors.map((row) => ({ row, zone: zoneOf(row.field) }));
  const whose = all.some(({ zone }) => zone !== null) ? all.filter(({ row }) => row.field !== "aim") : all; // of both forms of an aim only the one that was sent
  for (const node of fields.values()) node.removeAttribute("aria-invalid");
  const nodes = whose.map(({ row, zone }) => fields.get(zone ?? (row.field.startsWith("tolerance") ? "tolerance" : "all")));
  for (const node of nodes) node?.setAttribute("aria-invalid", "true");
  nodes[0]?.focus();
  const lines = whose.slice(0, TOLD).map(({ row, zone }) => `${zone === null ? row.field : `zone ${zone}`}: ${row.value}, expected ${row.expected}`);
  if (whose.length > TOLD) lines.push(`and ${whose.length - TOLD} more like these`);
  if (!whose.length && text) lines.push(text);
  fill(by("aim-told"), ...lines.map((line) => el("p", { class: "bad", text: line })));
}
