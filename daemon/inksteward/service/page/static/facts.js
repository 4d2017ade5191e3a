// What follows from the parts: units in printing order, each zone's reading, what is proposed, what happens on a yes.
import { serviceMs, store } from "./link.js";

const edits = new Map(); // proposal id -> {leave:Set, change:Map, leaveSweep:bool}
const EDITS_KEPT = 50; // of ended proposals too: a connection that was lost for a moment loses no edit

export function editOf(proposal) {
  if (!edits.has(proposal.proposal_id)) edits.set(proposal.proposal_id, { leave: new Set(), change: new Map(), leaveSweep: false });
  if (edits.size > EDITS_KEPT) edits.delete(edits.keys().next().value);
  return edits.get(proposal.proposal_id);
}

export const unitNames = () => (store.parts.press?.units ?? []).map((unit) => unit.unit);
export const pressUnit = (name) => (store.parts.press?.units ?? []).find((unit) => unit.unit === name);
export const now = (name) => store.parts.units?.[name] ?? {};

/** The proposal that stands for a unit and can be decided on, or null. */
export function standing(name) {
  const proposal = store.parts[`proposal/${name}`];
  const row = now(name).standing;
  if (!proposal || !row || row.proposal_id !== proposal.proposal_id || row.life !== "standing") return null;
  return leftS(name, proposal) > 0 ? proposal : null;
}

/** Whether keys are on their way: they move, or a yes was given; a proposal that waits for its end is neither. */
export const underWay = (lane) => lane.state.moving || Boolean(lane.state.standing && lane.state.standing.life !== "standing");

/** Seconds until it lapses. */
export function leftS(name, proposal) {
  const row = now(name).standing;
  return row ? Math.max(0, proposal.expires_in_s - (serviceMs() - row.made_mono_ms) / 1000) : 0;
}

/** Target of a move as edited, or null if its key is not to move. */
export function target(proposal, move) {
  const edit = editOf(proposal);
  if (edit.leave.has(move.zone)) return null;
  if (edit.change.has(move.zone)) return edit.change.get(move.zone);
  return edit.leaveSweep ? move.to_pct_if_sweep_left : move.to_pct;
}

/** The decision that a yes to a proposal, as edited and displayed, makes. */
export function approval(proposal, decisionId) {
  const edit = editOf(proposal);
  const targets = proposal.moves.map((move) => ({ zone: move.zone, to_pct: target(proposal, move) })).filter((row) => row.to_pct !== null);
  return {
    decision_id: decisionId, proposal_id: proposal.proposal_id, digest: proposal.digest, verdict: "approve",
    leave: [...edit.leave].sort((a, b) => a - b), change: [...edit.change].map(([zone, to_pct]) => ({ zone, to_pct })),
    leave_sweep: edit.leaveSweep,
    shown: { targets, sweep_pct: proposal.sweep && !edit.leaveSweep ? proposal.sweep.to_pct : null },
  };
}

/** How many keys a yes would move. */
export const keysMoved = (proposal) => proposal.moves.filter((move) => target(proposal, move) !== null).length;

/** One row a unit: what the plan draws. Arrays run from zone 1. */
export function lanes() {
  const reading = store.parts.reading;
  return unitNames().map((name) => {
    const state = now(name), read = reading?.units[name], proposal = standing(name);
    const zones = pressUnit(name).zones;
    const moves = new Map((proposal?.moves ?? []).map((move) => [move.zone, move]));
    const cells = Array.from({ length: zones }, (_, index) => cell(index, read, state, proposal, moves.get(index + 1)));
    return { unit: name, ink: state.ink ?? read?.ink ?? null, read, state, proposal, cells, out: cells.filter((each) => each.out), unread: cells.filter((each) => each.unread).length };
  });
}

function cell(index, read, state, proposal, move) {
  const at = (values) => values?.[index] ?? null;
  const aim = at(state.aim) ?? at(read?.aim), low = at(state.low) ?? at(read?.low), high = at(state.high) ?? at(read?.high);
  const density = at(read?.density);
  const judged = density !== null && aim !== null;
  const kept = move && target(proposal, move) !== null;
  const sameAsProposed = kept && !editOf(proposal).change.has(move.zone) && !editOf(proposal).leaveSweep;
  const then = sameAsProposed ? move.predicted_settled : kept ? null : at(read?.predicted_settled);
  return {
    zone: index + 1, density, aim, low, high, move: kept ? move : null, to: kept ? target(proposal, move) : null, offered: move ?? null,
    then, asIs: at(read?.predicted_settled), unsure: kept && !sameAsProposed,
    out: judged && (density < low || density > high),
    off: judged ? (density < low ? density - low : density > high ? density - high : 0) : 0,
    unread: aim !== null && density === null && state.on_sheet?.[index] !== false,
  };
}

/** How bad the worst zone of a lane is, in tolerances from its aim. */
export function worst(lane) {
  let found = { size: -1, cell: null };
  for (const each of lane.cells) {
    if (each.density === null || each.aim === null) continue;
    const half = each.density < each.aim ? each.aim - each.low : each.high - each.aim;
    const size = Math.abs(each.density - each.aim) / (half || 1);
    if (size > found.size) found = { size, cell: each };
  }
  return found;
}
