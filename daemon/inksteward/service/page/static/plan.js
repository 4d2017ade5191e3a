// The plan of the sheet: zones as columns, one lane an ink. Position tells density, a ring where it will settle.
import { by, el, fill } from "./dom.js";
import { D, inkName, many } from "./words.js";
import { openZone } from "./zone.js";

const REACH = 2.6; // tolerances from the aim to the edge of a lane
let shape = "", cells = new Map(), at = { lane: 0, zone: 1 };

/** Percent from the top of a lane, 0 to 100. */
function height(value, cell) {
  const half = value < cell.aim ? cell.aim - cell.low : cell.high - cell.aim;
  const size = Math.max(-REACH, Math.min(REACH, (value - cell.aim) / (half || 1)));
  return 50 - (size / REACH) * 47;
}

export function sentence(lane, cell) {
  const where = `${inkName(lane.ink)}, zone ${cell.zone}`;
  if (cell.density === null) return `${where}: not read`;
  if (cell.aim === null) return `${where}: ${D(cell.density)}, no aim`;
  const state = cell.out ? `out, ${D(Math.abs(cell.off))} too ${cell.off < 0 ? "low" : "high"}` : "in tolerance";
  const way = cell.move && `key ${cell.move.from_pct.toFixed(1)} to ${cell.to.toFixed(1)} %`;
  const next = cell.move ? (cell.unsure ? `; ${way} as edited here, no forecast` : `; ${way} proposed, settles at ${D(cell.then)}`) : cell.then !== null ? `; settles at ${D(cell.then)} as keys stand` : "";
  return `${where}: ${D(cell.density)}, aim ${D(cell.aim)}, ${state}${next}`;
}

/** How a lane stands, in few words: nothing is in that was not read. */
function standing(lane) {
  const read = lane.cells.some((cell) => cell.density !== null), missing = lane.unread ? `${lane.unread} not read` : null;
  if (!lane.read || !read) return "not read";
  if (lane.out.length) return missing ? `${lane.out.length} out, ${missing}` : `${many(lane.out.length, "zone")} out`;
  return missing ?? "all in";
}

export function drawPlan(all) {
  const drawn = all.filter((lane) => lane.read || lane.state.aim);
  const wanted = drawn.map((lane) => `${lane.unit}:${lane.ink}:${lane.cells.length}`).join("|");
  if (wanted !== shape) build(drawn, wanted);
  const bad = new Set();
  for (const lane of drawn) {
    const head = cells.get(`${lane.unit}/head`);
    head.textContent = standing(lane);
    for (const cell of lane.cells) {
      if (cell.out) bad.add(cell.zone);
      paint(cells.get(`${lane.unit}/${cell.zone}`), lane, cell);
    }
  }
  for (const mark of by("sheet").querySelectorAll(".scale .cells span")) mark.classList.toggle("out", bad.has(Number(mark.dataset.zone)));
}

function build(drawn, wanted) {
  shape = wanted;
  cells = new Map();
  if (!drawn.length) { fill(by("sheet"), el("p", { class: "dim", text: "The plan of the sheet appears with the job." })); return; }
  const zones = Math.max(...drawn.map((lane) => lane.cells.length));
  const every = zones > 30 ? 4 : zones > 16 ? 2 : 1;
  by("sheet").style.setProperty("--lane", drawn.length > 6 ? "3rem" : drawn.length > 4 ? "3.6rem" : "3.9rem");
  const scale = el("div", { class: "scale", "aria-hidden": "true" }, el("span", { class: "dim", text: "zone" }), el("div", { class: "cells" },
    ...Array.from({ length: zones }, (_, n) => el("span", { "data-zone": n + 1, text: n === 0 || (n + 1) % every === 0 ? n + 1 : "·" }))));
  fill(by("sheet"), scale, el("div", { role: "group", "aria-label": "Zones by ink; arrow keys move, Enter opens a zone" }, ...drawn.map((lane, row) => laneOf(lane, row))), legend(), ...["a", "b", "c", "d"].map((corner) => el("span", { class: `crop ${corner}`, "aria-hidden": "true" })));
  roam(drawn);
}

function laneOf(lane, row) {
  const state = el("span", { class: "state" });
  cells.set(`${lane.unit}/head`, state);
  const buttons = lane.cells.map((cell) => {
    const part = (name) => el("span", { class: name, hidden: true });
    const button = el("button", { type: "button", class: "cell", tabindex: -1, "data-row": row, "data-zone": cell.zone, onclick: () => openZone(lane.unit, cell.zone) });
    const parts = Object.fromEntries(["band", "aim", "stem", "way", "now", "then", "off"].map((name) => [name, part(name)]));
    button.append(...Object.values(parts));
    cells.set(`${lane.unit}/${cell.zone}`, { button, parts, last: "" });
    return button;
  });
  return el("div", { class: "lane" }, el("div", { class: "head" }, swatch(lane.ink), el("b", { text: inkName(lane.ink) }), state), el("div", { class: "cells" }, ...buttons));
}

export const swatch = (ink) => el("span", { class: `swatch ${"CMYK".includes(ink ?? "-") ? ink : "spot"}`, "aria-hidden": "true" });

function paint(drawn, lane, cell) {
  const now = JSON.stringify([cell.density, cell.aim, cell.low, cell.high, cell.then, cell.to, cell.offered && !cell.move, cell.unsure]);
  if (drawn.last === now) return;
  drawn.last = now;
  const { button, parts } = drawn, judged = cell.density !== null && cell.aim !== null;
  button.setAttribute("aria-label", sentence(lane, cell));
  button.classList.toggle("out", cell.out);
  button.classList.toggle("none", cell.density === null);
  for (const part of Object.values(parts)) part.hidden = true;
  if (cell.aim === null) return;
  parts.band.hidden = parts.aim.hidden = false;
  if (cell.then !== null) place(parts.then, height(cell.then, cell));
  parts.then.classList.toggle("unsure", cell.unsure);
  if (cell.then !== null && !cell.move) parts.then.hidden = true;
  if (!judged) return;
  const y = height(cell.density, cell);
  place(parts.now, y);
  if (cell.move && cell.then !== null) between(parts.way, y, height(cell.then, cell));
  if (cell.out) {
    between(parts.stem, y, cell.off < 0 ? 69.2 : 30.8);
    parts.off.hidden = lane.cells.length > 30;
    parts.off.textContent = `${cell.off < 0 ? "−" : "+"}${Math.abs(cell.off).toFixed(2).replace(/^0/, "")}`;
    parts.off.className = `off ${cell.off < 0 ? "down" : "up"}`;
  }
}

function place(part, y) { part.hidden = false; part.style.top = `${y}%`; }
function between(part, a, b) { part.hidden = false; part.style.top = `${Math.min(a, b)}%`; part.style.height = `${Math.abs(a - b)}%`; }

function legend() {
  const one = (mark, text) => el("span", {}, el("i", { class: mark }), text);
  return el("p", { class: "key" }, one("k-band", "tolerance"), one("k-now", "density now"), one("k-out", "how far it is out"), one("k-then", "where it settles after the proposed move"));
}

/** One zone at a time can be tabbed to; the arrow keys go on from there. */
function roam(drawn) {
  const buttonAt = (row, zone) => cells.get(`${drawn[row]?.unit}/${zone}`)?.button;
  const first = buttonAt(Math.min(at.lane, drawn.length - 1), at.zone) ?? buttonAt(0, 1);
  first.tabIndex = 0;
  by("sheet").onkeydown = (event) => {
    const step = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0], Home: [0, -999], End: [0, 999] }[event.key];
    const from = event.target.closest(".cell");
    if (!step || !from) return;
    event.preventDefault();
    const row = Number(from.dataset.row) + step[0];
    const zones = drawn[row]?.cells.length ?? 0;
    const to = buttonAt(row, Math.max(1, Math.min(zones, Number(from.dataset.zone) + step[1])));
    if (!to) return;
    from.tabIndex = -1;
    to.tabIndex = 0;
    at = { lane: row, zone: Number(to.dataset.zone) };
    to.focus();
  };
}
