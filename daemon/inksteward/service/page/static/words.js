// Numbers and codes in a printer's words.
const INKS = { C: "Cyan", M: "Magenta", Y: "Yellow", K: "Black" };
export const inkName = (ink) => INKS[ink] ?? ink ?? "no ink";
export const count = (n) => Number(n).toLocaleString("en-GB");
export const D = (value) => (value === null || value === undefined ? "–" : value.toFixed(2));
export const pct = (value) => (value === null || value === undefined ? "–" : value.toFixed(1));
export const many = (n, one, more = one + "s") => `${n} ${n === 1 ? one : more}`;
export const plain = (code) => String(code).replaceAll("_", " ");

export const WHY_NONE = {
  in_tolerance: "in tolerance", within_noise: "too uncertain to act on yet", waiting: "wait for the next sheet",
  unconfirmed_move: "waits for its last move", not_a_key_fault: "not for the keys to mend", infeasible: "no move within the limits",
  held: "on hold", suspended: "stopped by an alarm", not_controlled: "not controlled", no_positions: "key positions unknown",
  no_counter: "sheet counter silent", stopped: "job stopped",
};
export const HELD_BY = {
  min_gap: "the minimum gap", travel: "the end of its travel", step: "the largest step", adjacent: "its neighbour",
  interaction: "what keys may do to a neighbouring zone", total_travel: "the travel of one proposal",
  accumulated_key: "this key's travel over 1,000 sheets", accumulated_unit: "the unit's travel over 1,000 sheets",
  sweep_step: "the largest step of the sweep", sweep_range: "the range of the sweep", resolution: "the drive's resolution",
};
export const PHASE = { opening: "opening", makeready: "makeready", run: "running on the OK sheet", stopped: "stopped" };
const ENDED = {
  moved: "keys moved and read back", rejected: "turned down", lapsed: "lapsed", refused: "refused by the interlock", failed: "failed: look at the keys",
};
export const LAPSED = {
  expired: "nobody decided in time", replaced: "a newer reading took its place", run_changed: "the job changed", held: "put on hold",
  restart: "the service started anew", moved_by_hand: "keys were moved by hand", link_lost: "a link was lost",
};

/** How a proposal ended, in one line. */
export function outcome(row, ink) {
  const who = row.operator ? ` by ${row.operator}${row.via === "page" ? ", at this page" : row.via ? `, over ${row.via}` : ""}` : "";
  const keys = row.result === "moved" && row.moved.length ? `${many(row.moved.length, "key")} ` : "";
  const why = row.code ? `: ${LAPSED[row.code] ?? plain(row.code)}` : "";
  const refused = row.refusals.map((each) => `; ${each.text}`).join("");
  const sweep = row.sweep ? `, sweep ${pct(row.sweep.from_pct)} to ${pct(row.sweep.to_pct)} %` : "";
  return `${inkName(ink)}: ${keys}${keys ? "moved and read back" : ENDED[row.result]}${sweep}${why}${who}${refused}`;
}

/** Errors of an answer as sentences. */
export function refusals(errors) {
  return (errors ?? []).map((row) => `${row.field ? `${row.field}: ` : ""}${row.value}: expected ${row.expected}`).join("; ") || "no reason given";
}

/** Why an edit does not pass: what limits and interlock say of it, without the form's own words. */
export function objections(errors) {
  const found = (errors ?? []).map((row) => (row.field === "" || row.field.startsWith("change") ? row.expected.replace(/^[a-z_]+: /, "") : `${row.field}: ${row.expected}`));
  return [...new Set(found)].join("; ") || "no reason given";
}

/** Zones as ranges: 1–4, 7. */
export function ranges(zones) {
  const parts = [];
  for (const zone of zones) {
    const last = parts.at(-1);
    if (last && last[1] === zone - 1) last[1] = zone;
    else parts.push([zone, zone]);
  }
  return parts.map(([from, to]) => (from === to ? `${from}` : `${from}–${to}`)).join(", ");
}
