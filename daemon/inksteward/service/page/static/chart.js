// The run of one zone: density by sheet in its tolerance, its moves, and what they promised.
import { svg } from "./dom.js";
import { D, count } from "./words.js";

const W = 760, H = 260, LEFT = 52, RIGHT = 12, TOP = 14, BOTTOM = 30;

export function chartOf(data, proposal) {
  const points = data.points.filter((point) => point.density !== null);
  if (!points.length) return null;
  const ends = [...data.moves.map((move) => move.settled_by_sheet).filter(Boolean), proposal?.settled_by_sheet ?? 0];
  const sheets = points.map((point) => point.sheet), last = Math.max(...sheets);
  const x0 = Math.min(...sheets), x1 = Math.max(last + 1, Math.min(Math.max(...ends), last + 400));
  const values = points.flatMap((point) => [point.density, point.low ?? point.density, point.high ?? point.density]);
  if (proposal) values.push(proposal.predicted_settled);
  const pad = 0.02, y0 = Math.min(...values) - pad, y1 = Math.max(...values) + pad;
  const x = (sheet) => LEFT + ((sheet - x0) / (x1 - x0 || 1)) * (W - LEFT - RIGHT);
  const y = (value) => TOP + ((y1 - value) / (y1 - y0)) * (H - TOP - BOTTOM);
  const told = points.at(-1);
  const parts = [];
  if (told.aim !== null) {
    parts.push(svg("rect", { class: "band", x: LEFT, width: W - LEFT - RIGHT, y: y(told.high), height: y(told.low) - y(told.high) }),
      ...[told.low, told.high].map((value) => svg("path", { class: "edge", d: `M${LEFT} ${y(value)}H${W - RIGHT}` })),
      svg("path", { class: "aim", d: `M${LEFT} ${y(told.aim)}H${W - RIGHT}` }),
      ...[told.low, told.aim, told.high].map((value) => label(4, y(value) + 4, D(value))));
  }
  for (const move of data.moves) if (move.sheet >= x0) {
    parts.push(svg("path", { class: "move", d: `M${x(move.sheet)} ${TOP}V${H - BOTTOM}` }), label(x(move.sheet) + 3, TOP + 10, `${move.from_pct.toFixed(0)}→${move.to_pct.toFixed(0)} %`));
  }
  parts.push(svg("path", { class: "run", d: points.map((point, n) => `${n ? "L" : "M"}${x(point.sheet).toFixed(1)} ${y(point.density).toFixed(1)}`).join("") }));
  for (const point of points) {
    const out = point.aim !== null && (point.density < point.low || point.density > point.high);
    parts.push(out ? svg("rect", { class: "point", x: x(point.sheet) - 5, y: y(point.density) - 5, width: 10, height: 10 }) : svg("circle", { class: "point", cx: x(point.sheet), cy: y(point.density), r: 4 }));
  }
  if (proposal) {
    const then = Math.max(last, Math.min(proposal.settled_by_sheet, x1)); // one that nobody decided on for long lies ahead all the same
    parts.push(svg("path", { class: "aim", d: `M${x(last)} ${y(told.density)}L${x(then)} ${y(proposal.predicted_settled)}` }),
      svg("circle", { class: "then", cx: x(then) - 4, cy: y(proposal.predicted_settled), r: 7 }));
  }
  parts.push(svg("path", { class: "axis", d: `M${LEFT} ${H - BOTTOM}H${W - RIGHT}` }), label(LEFT, H - 10, `sheet ${count(x0)}`), label(W - 110, H - 10, `sheet ${count(x1)}`));
  const words = `Run of the zone: ${points.length} readings from sheet ${x0} to ${last}, last ${D(told.density)}, aim ${D(told.aim)}, ${data.moves.length} moves`;
  return svg("svg", { class: "chart", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": words }, ...parts);
}

const label = (x, y, text) => svg("text", { x, y, text });
