// One zone: its run, and a target of one's own, judged by the service before it is sent.
import { by, el, fill, keep } from "./dom.js";
import { chart, post, store } from "./link.js";
import { inkName, objections, pct } from "./words.js";
import { approval, editOf, lanes, now, pressUnit, target } from "./facts.js";
import { sentence, swatch } from "./plan.js";
import { chartOf } from "./chart.js";
import { signIn } from "./door.js";
import { edited } from "./main.js";

let at = null, run = null, wish = null, verdict = null, judging = 0, judgedFor = null;

export function openZone(unit, zone) {
  at = { unit, zone };
  run = null;
  forget();
  if (!by("zone-head")) fill(by("zone"), ...["head", "run", "own"].map((part) => el("div", { id: `zone-${part}` })));
  draw();
  if (!by("zone").open) by("zone").showModal();
  by("zone").onclose = backTo;
  fetchRun();
}

/** Where the focus was before the card was drawn anew: at the move that was looked at, else at the proposals. */
function backTo() {
  if (document.activeElement && document.activeElement !== document.body) return;
  (document.querySelector(`[data-key="change-${CSS.escape(at.unit)}-${at.zone}"]`) ?? by("ledger")).focus({ preventScroll: true });
}

function forget() { wish = null; verdict = null; judgedFor = null; judging += 1; }

async function fetchRun() {
  const wanted = at, found = await chart(at.unit, at.zone);
  if (wanted === at) { run = found; draw(); }
}

/** The zone that is open, anew. */
export function drawZone(names) {
  if (!by("zone").open) return;
  if (names.has("reading")) fetchRun();
  draw();
}

/** Draws each part only if something in it changed: what is being typed, or slid, stays under the finger. */
function draw() {
  const lane = lanes().find((each) => each.unit === at.unit), cell = lane?.cells[at.zone - 1];
  if (!cell) { by("zone").close(); return; }
  const state = now(at.unit), key = state.keys?.[at.zone - 1] ?? null, gap = state.gaps_um?.[at.zone - 1];
  const move = cell.move && !cell.unsure ? cell.move : null, made = cell.offered ? lane.proposal : null;
  if (judgedFor !== null && made?.proposal_id !== judgedFor) forget(); // what was permitted was permitted of another one
  keep(by("zone-head"), [at, lane.ink, lane.cells.length, sentence(lane, cell), key, gap], () => head(lane, cell, key, gap));
  keep(by("zone-run"), [at, run, move], () => (run ? [chartOf(run, move) ?? el("p", { text: "Not read yet in this run." }), ...drift(run)] : [el("p", { class: "dim", text: "…" })]));
  keep(by("zone-own"), [at, made?.proposal_id, cell.offered, made && target(made, cell.offered), wish, verdict, Boolean(store.me), store.parts.now?.run?.limits],
    () => (made ? editor(lane, cell.offered) : el("p", { class: "dim", text: "No move of this key is proposed." })));
}

/** Drift told from noise, where enough was read since the key or the sweep moved. */
const drift = (data) => (data.points.length ? [el("p", { class: data.drift.course === "drift" || data.drift.course === "step" ? "" : "dim", text: `${data.drift.text[0].toUpperCase()}${data.drift.text.slice(1)}.` })] : []);

function head(lane, cell, key, gap) {
  const zones = lane.cells.length, go = (step) => openZone(at.unit, Math.max(1, Math.min(zones, at.zone + step)));
  return [
    el("div", { class: "row" }, el("button", { type: "button", "data-key": "back", "aria-label": "Zone before", onclick: () => go(-1), disabled: at.zone === 1 }, "◀"),
      el("h2", { id: "zone-title" }, swatch(lane.ink), ` ${inkName(lane.ink)}, zone ${at.zone}`),
      el("button", { type: "button", "data-key": "on", "aria-label": "Next zone", onclick: () => go(1), disabled: at.zone === zones }, "▶"),
      el("button", { type: "button", "data-key": "close", onclick: () => by("zone").close() }, "Close")),
    el("p", { text: sentence(lane, cell) }),
    el("p", { text: key === null ? "Where the key stands is not known." : `Key at ${pct(key)} %, gap ${gap} µm at the key; never below ${pressUnit(at.unit).min_gap_um} µm anywhere along the blade.` })];
}

function editor(lane, move) {
  const made = lane.proposal, limits = pressUnit(at.unit).limits[store.parts.now?.run?.limits ?? "makeready"];
  const value = wish ?? target(made, move) ?? move.to_pct;
  const low = Math.max(0, move.from_pct - limits.step_pct), high = Math.min(100, move.from_pct + limits.step_pct);
  const number = el("input", { type: "text", inputmode: "decimal", size: 6, value: value.toFixed(1), "aria-label": "Target in percent", "data-key": "number",
    oninput: () => { if (verdict?.good) { verdict = { good: false, text: "press Enter: the service judges the new figure" }; by("zone").querySelector('[data-key="use"]')?.setAttribute("disabled", ""); } },
    onchange: (event) => typed(made, move, event.target.value) });
  const slide = el("input", { type: "range", min: low.toFixed(1), max: high.toFixed(1), step: 0.1, value: value.toFixed(1), "aria-label": "Target, by sliding", "data-key": "slide",
    oninput: (event) => { number.value = event.target.value; }, onchange: (event) => wishes(made, move, event.target.valueAsNumber) });
  const nudge = (by_) => el("button", { type: "button", "data-key": `nudge${by_}`, "aria-label": `${by_ > 0 ? "Up" : "Down"} by half a percent`, onclick: () => wishes(made, move, Math.round((value + by_) * 10) / 10) }, by_ > 0 ? "+" : "−");
  const words = verdict === null ? `proposed ${pct(move.from_pct)} → ${pct(move.to_pct)} %; one step may go from ${pct(low)} to ${pct(high)} %` : verdict.text;
  return el("section", { "aria-label": "Your own target" }, el("h3", { text: "Your own target" }),
    el("div", { class: "row" }, nudge(-0.5), slide, nudge(0.5), number, el("span", { text: "%" })),
    el("p", { role: "status", class: verdict && !verdict.good ? "bad" : "", text: words }),
    store.me
      ? el("div", { class: "row" },
        el("button", { type: "button", class: "yes", "data-key": "use", disabled: !verdict?.good, onclick: () => use(made, move) }, "Use this target"),
        el("button", { type: "button", "data-key": "undo", onclick: () => { editOf(made).change.delete(move.zone); editOf(made).leave.delete(move.zone); forget(); edited(); } }, "As proposed"),
        el("button", { type: "button", "data-key": "leave", onclick: () => { editOf(made).change.delete(move.zone); editOf(made).leave.add(move.zone); forget(); edited(); } }, "Leave this key out"))
      : el("div", { class: "row" }, el("button", { type: "button", "data-key": "door", onclick: () => { by("zone").close(); signIn(); } }, "Sign in to change")));
}

/** A figure as typed, with a point or a comma; what is none, or lies outside the travel, is told and never bent into one. */
function typed(made, move, text) {
  const value = text.trim() === "" ? NaN : Number(text.replace(",", "."));
  if (value >= 0 && value <= 100) { wishes(made, move, value); return; }
  judging += 1;
  verdict = { good: false, text: `${text.trim() || "nothing"}: expected a figure from 0 to 100 %` };
  judgedFor = made.proposal_id;
  draw();
}

/** Ask the service what it would say to this target, as it is shown; only the last question counts. */
async function wishes(made, move, value) {
  wish = Math.max(0, Math.min(1000, Math.round(value * 10))) / 10;
  judgedFor = made.proposal_id;
  verdict = { good: false, text: "the service judges…" };
  draw();
  if (!store.me) { verdict = { good: false, text: "sign in first: the service judges a target only for an operator" }; draw(); return; }
  const mine = ++judging, edit = editOf(made);
  const change = new Map(edit.change).set(move.zone, wish), leave = new Set(edit.leave);
  leave.delete(move.zone);
  const asked = { ...approval(made, "judge"), change: [...change].map(([zone, to_pct]) => ({ zone, to_pct })), leave: [...leave] };
  asked.shown = { ...asked.shown, targets: [...asked.shown.targets.filter((row) => row.zone !== move.zone), { zone: move.zone, to_pct: wish }] };
  const reply = await post("judge", asked);
  if (mine !== judging) return;
  const gap = reply.data.gaps?.find((row) => row.zone === move.zone)?.gap_um;
  const at_ = gap === undefined ? "" : `gap ${gap} µm at this key. `;
  if (reply.status !== 200) verdict = { good: false, text: reply.data.text };
  else if (reply.data.accepted) verdict = { good: true, text: `${at_}Permitted by limits and interlock.` };
  else verdict = { good: false, text: `${at_}Refused: ${objections(reply.data.errors)}` };
  draw();
}

function use(made, move) {
  editOf(made).leave.delete(move.zone);
  editOf(made).change.set(move.zone, wish);
  forget();
  edited();
}
