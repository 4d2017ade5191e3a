// Per unit the proposal as a ledger, most important first, one line a move in plain words.
import { offer, offers } from "./colour.js";
import { by, deed, el, lost, newId, say } from "./dom.js";
import { post, store } from "./link.js";
import { D, HELD_BY, WHY_NONE, count, inkName, many, pct, ranges, refusals } from "./words.js";
import { approval, editOf, keysMoved, leftS, standing, target, underWay, worst } from "./facts.js";
import { swatch } from "./plan.js";
import { openZone } from "./zone.js";
import { signIn } from "./door.js";
import { sure } from "./sure.js";
import { edited } from "./main.js";

const FIRST = 4, ALONE = 6; // moves that are shown unfolded, beside other cards and in a card that has the width alone
const FRESH_MS = 600; // a proposal that has just appeared under the finger is not the one that was read
const MOVED_MS = 1000, MOVED_PX = 8; // nor is a card that has just slid there
const asked = new Set(); // proposals whose answer is under way: a second tap asks nothing
const places = new Map(); // unit -> where its card lies in the document, and since when
const seenAt = new Map(), SEEN_KEPT = 200;

/** After every drawing: cards that lie elsewhere now, whatever moved them. */
export function watchPlaces() {
  const now = performance.now(), there = new Set();
  for (const node of by("ledger").querySelectorAll(":scope > .card")) {
    const unit = node.dataset.unit, before = places.get(unit), at = [node.offsetLeft, node.offsetTop];
    there.add(unit);
    const slid = before && at.some((value, n) => Math.abs(value - before.at[n]) > MOVED_PX);
    if (!before || slid) places.set(unit, { at, since: slid ? now : -Infinity });
  }
  for (const unit of places.keys()) if (!there.has(unit)) places.delete(unit);
}

const slid = (lane) => performance.now() - (places.get(lane.unit)?.since ?? -Infinity) < MOVED_MS;
export const isAsked = (proposal) => asked.has(proposal.proposal_id);
const fresh = (proposal) => performance.now() - (seenAt.get(proposal.proposal_id) ?? 0) < FRESH_MS;

const cards = new Map(); // unit -> what its card was drawn from, and the card

/** A card that would look the same stays the same element: a finger on one of its buttons meets that button. */
function cardOf(lane, most) {
  const edit = editOf(lane.proposal);
  const facts = JSON.stringify([most, lane.proposal.proposal_id, lane.ink, [...edit.leave], [...edit.change], edit.leaveSweep, isAsked(lane.proposal)]);
  const before = cards.get(lane.unit);
  if (before?.facts === facts) return before.node;
  const node = card(lane, most);
  const open = new Set([...(before?.node.querySelectorAll("details[open]") ?? [])].map((each) => each.dataset.key));
  for (const each of node.querySelectorAll("details")) each.open = open.has(each.dataset.key);
  cards.set(lane.unit, { facts, node });
  return node;
}

export function drawLedger(all) {
  const order = all.map((lane) => [worst(lane).size, lane]).sort((a, b) => b[0] - a[0]).map((pair) => pair[1]);
  const wanted = order.filter((lane) => lane.proposal);
  const shown = wanted.map((lane) => cardOf(lane, wanted.length === 1 ? ALONE : FIRST));
  const rest = order.filter((lane) => !lane.proposal && (lane.read || lane.state.aim));
  by("ledger").dataset.cards = Math.min(shown.length, 3);
  const box = by("ledger"), tail = quietPart(rest, box);
  const there = [...box.querySelectorAll(":scope > .card")];
  if (there.length === shown.length && there.every((node, n) => node === shown[n])) {
    const before = box.querySelector(":scope > .quiet");
    if (before?.textContent === tail?.textContent) return;
    const key = before?.contains(document.activeElement) ? document.activeElement.dataset.key : null;
    before?.remove();
    if (tail) box.append(tail);
    if (key) tail?.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
    return;
  }
  const focused = box.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  box.replaceChildren(...shown, ...(tail ? [tail] : []));
  if (focused) box.querySelector(`[data-key="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
  for (const unit of cards.keys()) if (!order.some((lane) => lane.unit === unit && lane.proposal)) cards.delete(unit);
}

/** What needs no decision: notes on the reading, units without a proposal, patches that were not used. */
function quietPart(rest, box) {
  const reading = store.parts.reading, aside = reading?.set_aside ?? [];
  const offered = offers();
  if (!rest.length && !reading?.notes?.length && !aside.length && !offered.length) return null;
  const open = box.querySelector(":scope > .quiet details")?.open;
  const fold = aside.length ? el("details", { open }, el("summary", { "data-key": "aside", text: `Not used: ${many(aside.length, "patch", "patches")} of the last sheet` }), ...aside.map((row) => el("p", { text: row.text }))) : null;
  return el("div", { class: "quiet" }, ...(reading?.notes ?? []).filter((row) => row.code !== "wait_then_pull").map(note), ...rest.map(quiet), ...offered.map(offer), fold);
}

function quiet(lane) {
  const why = underWay(lane) ? "keys are moving" : lane.read?.no_proposal ? WHY_NONE[lane.read.no_proposal] ?? lane.read.no_proposal : lane.read ? "the last one has ended" : "not read yet";
  return el("p", {}, swatch(lane.ink), el("b", { text: inkName(lane.ink) }), el("span", { text: `nothing proposed: ${why}` }));
}

function card(lane, most) {
  const made = lane.proposal, edit = editOf(made);
  if (!seenAt.has(made.proposal_id)) seenAt.set(made.proposal_id, performance.now());
  if (seenAt.size > SEEN_KEPT) seenAt.delete(seenAt.keys().next().value);
  const keys = keysMoved(made), sweep = made.sweep && !edit.leaveSweep;
  const size = (move) => Math.abs((move.measured ?? move.aim) - move.aim);
  const moves = [...made.moves].sort((a, b) => size(b) - size(a));
  const kind = { opening: "opening of the job, ", recall: "settings of a job before, ", commission: "commissioning, " }[made.origin] ?? "";
  const what = `${kind}${keys ? many(keys, "key") : "no key"}${sweep ? `, sweep ${pct(made.sweep.from_pct)} → ${pct(made.sweep.to_pct)} %` : ""}`;
  return el("article", { class: "card", "aria-label": `${inkName(lane.ink)}: proposal`, "data-unit": lane.unit },
    el("header", {}, swatch(lane.ink), el("h3", { text: `${inkName(lane.ink)}: ${what}` }), el("span", { class: "life", "data-life": lane.unit, text: life(lane.unit, made) })),
    el("div", { class: "answer" },
      deed(isAsked(made) ? "Sent…" : `Yes to ${inkName(lane.ink)} (${keys}${sweep ? " + sweep" : ""})`, () => yes([lane], true), { class: "deed yes", off: (!keys && !sweep) || isAsked(made), "data-key": `yes-${lane.unit}` }),
      deed("No…", () => no(lane), { "data-key": `no-${lane.unit}`, "aria-label": `No to ${inkName(lane.ink)}, with a reason` })),
    made.sweep ? sweepLine(made, edit) : null,
    el("div", { class: "lines" }, ...moves.slice(0, most).map((move) => line(lane, made, edit, move))),
    moves.length > most ? el("details", { class: "more", "data-key": `moves-${lane.unit}` }, el("summary", { "data-key": `unfold-${lane.unit}`, text: `${many(moves.length - most, "smaller move")}: zones ${ranges(moves.slice(most).map((move) => move.zone).sort((a, b) => a - b))}` }),
      el("div", { class: "lines" }, ...moves.slice(most).map((move) => line(lane, made, edit, move)))) : null,
    ...made.notes.map(note),
    made.left.length ? el("details", { "data-key": `fold-${lane.unit}` }, el("summary", { "data-key": `left-${lane.unit}`, text: `Left alone: ${many(made.left.length, "zone")} (${ranges(made.left.map((row) => row.zone))})` }),
      ...made.left.map((row) => el("p", { text: `Zone ${row.zone}: ${row.text}` }))) : null);
}

export const note = (row) => el("div", { class: "note" }, el("b", { text: row.text }), el("span", { text: row.remedy }));

function life(unit, made) {
  return `stands ${Math.ceil(leftS(unit, made))} s more, to sheet ${count(made.expires_sheet)}`;
}

function sweepLine(made, edit) {
  const fallen = made.moves.filter((move) => move.to_pct_if_sweep_left === null).length;
  const effect = edit.leaveSweep
    ? `left as it is: the keys go to other targets instead${fallen ? `, ${many(fallen, "move")} fall away` : ""}`
    : made.sweep.why;
  return el("div", { class: `line${edit.leaveSweep ? " left" : ""}` },
    el("span", { class: "what", text: `Sweep ${pct(made.sweep.from_pct)} → ${pct(made.sweep.to_pct)} %` }), el("p", { class: "why", text: effect }), el("span"),
    leaver("sweep", edit.leaveSweep, made, () => { edit.leaveSweep = !edit.leaveSweep; edited(); }));
}

function leaver(name, left, made, toggle) {
  const what = name === "sweep" ? "the sweep" : `zone ${name}`;
  return el("button", { type: "button", "data-left": left, "data-key": `leave-${made.unit}-${name}`, "aria-label": left ? `Left out: ${what}; take it in again` : `Leave out ${what}`, onclick: toggle }, left ? "Left out" : "Leave out");
}

function line(lane, made, edit, move) {
  const left = edit.leave.has(move.zone), to = target(made, move), changed = edit.change.has(move.zone);
  const fell = !left && to === null;
  const opens = (to ?? move.to_pct) > move.from_pct;
  const held = move.limited_by.map((row) => `held back by ${HELD_BY[row.code] ?? row.code} (${pct(row.withheld_pct)} % withheld)`).join(", ");
  const told = changed || edit.leaveSweep
    ? `${D(move.measured)} now, aim ${D(move.aim)}; ${changed ? "your own target: no forecast" : "without the sweep"}`
    : `${D(move.measured)} now, ${D(move.predicted_next)} next, settles at ${D(move.predicted_settled)}; aim ${D(move.aim)}; shows from sheet ${count(move.seen_from_sheet)}`;
  return el("div", { class: `line${left || fell ? " left" : ""}`, "data-zone": move.zone },
    el("span", { class: "what", text: `Zone ${move.zone} ${opens ? "opens" : "closes"} ${pct(move.from_pct)} → ${pct(to ?? move.to_pct)} %` }),
    el("p", { class: "how", text: fell ? "falls away with the sweep" : told }),
    held ? el("p", { class: "held", text: held }) : null,
    el("p", { class: "why", text: move.why.split("; held back by")[0] }),
    el("button", { type: "button", "data-key": `change-${lane.unit}-${move.zone}`, "aria-label": `Change zone ${move.zone}`, onclick: () => openZone(lane.unit, move.zone) }, "Change"),
    leaver(move.zone, left, made, () => { edit.leave[left ? "delete" : "add"](move.zone); edit.change.delete(move.zone); edited(); }));
}

/** Once a second: the time that is left. True if something lapsed meanwhile. */
export function tickLedger() {
  let lapsed = false;
  for (const node of by("ledger").querySelectorAll("[data-life]")) {
    const made = standing(node.dataset.life);
    if (made) node.textContent = life(node.dataset.life, made);
    else lapsed = true;
  }
  return lapsed;
}

/** What about a yes is unusual, in words; empty if nothing is. */
function unusual(lane) {
  const made = lane.proposal, edit = editOf(made), found = [];
  if (made.origin !== "scan") found.push(`${inkName(lane.ink)}: this does not rest on a reading but on ${{ recall: "the settings of a job before", commission: "what somebody who commissions the keys asked for" }[made.origin] ?? "the coverage of the job"}.`);
  for (const move of made.moves) {
    const to = edit.change.get(move.zone);
    if (to !== undefined && (to - move.from_pct) * (move.to_pct - move.from_pct) < 0) found.push(`${inkName(lane.ink)}: your target for zone ${move.zone} goes the other way than proposed.`);
  }
  return found;
}

/** Yes to these lanes as they are shown; `here`: by a button on a card, which may have slid under the finger. */
export async function yes(shown, here = false) {
  if (lost()) return;
  if (!store.me) { signIn(); return; }
  const wanted = shown.filter((lane) => !isAsked(lane.proposal));
  if (!wanted.length || wanted.some((lane) => fresh(lane.proposal) || (here && slid(lane)))) {
    say(shown.length && !wanted.length ? "Sent already: wait for the answer." : "This has just changed: look again, then say yes.", true);
    return;
  }
  const odd = wanted.flatMap(unusual);
  const sent = wanted.map((lane) => ({ lane, body: approval(lane.proposal, newId("d")) }));
  if (odd.length && !(await sure("This is not the usual", odd, "Yes, move them"))) return;
  for (const { body } of sent) asked.add(body.proposal_id);
  edited();
  const told = [];
  let bad = false;
  for (const { lane, body } of sent) {
    const reply = await post("decide", body);
    const good = reply.status === 200 && reply.data.accepted;
    bad ||= !good;
    if (!good) asked.delete(body.proposal_id);
    told.push(`${inkName(lane.ink)}: ${good ? "keys are told to move" : fate(reply)}`);
  }
  while (asked.size > SEEN_KEPT) asked.delete(asked.keys().next().value);
  edited();
  say(told.join(". "), bad);
}

const DECIDED = /this one is (approved|released|moved)/; // somebody else's yes came first: its keys do move
/** What became of a decision that was not accepted; without an answer nobody knows. */
function fate(reply) {
  const decided = (reply.data.errors ?? []).find((row) => row.field === "proposal_id" && DECIDED.test(row.expected));
  if (decided) return `decided already: ${decided.expected}`;
  if (reply.status === 200 || reply.status === 400) return `not moved: ${refusals(reply.data.errors)}`;
  if (reply.status === 0 || reply.status === 504) return "no answer, so nobody knows whether keys move: look at the press and at the record";
  return `not moved: ${reply.data.text}`;
}

async function no(lane) {
  if (!store.me) { signIn(); return; }
  if (slid(lane) || isAsked(lane.proposal)) { say("This has just changed: look again.", true); return; }
  const reasons = ["Wait for the next sheet", "Reading looks wrong", "Paper or ink is being changed", "I do it by hand"];
  const made = lane.proposal;
  const reason = await sure(`No to ${inkName(lane.ink)}: why?`, [], "No", { reasons });
  if (!reason) return;
  const reply = await post("decide", { decision_id: newId("d"), proposal_id: made.proposal_id, digest: made.digest, verdict: "reject", reason });
  const good = reply.status === 200 && reply.data.accepted;
  say(good ? `${inkName(lane.ink)}: turned down` : `${inkName(lane.ink)}: ${fate(reply)}`, !good);
}
