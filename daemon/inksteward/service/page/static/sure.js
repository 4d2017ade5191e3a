// A second question, for the unusual only; or the reason for a no.
import { by, deed, el, fill } from "./dom.js";

/** Resolves to true, or to the reason that was chosen or written, or to null. */
export function sure(title, lines, go, reasons = null) {
  const box = by("sure");
  return new Promise((resolve) => {
    let answer = null;
    const done = (value) => { answer = value; box.close(); };
    const written = reasons ? el("input", { type: "text", maxlength: 200, "aria-label": "Another reason", placeholder: "or in your own words" }) : null;
    fill(box, el("h2", { id: "sure-title", text: title }), ...lines.map((text) => el("p", { text })),
      ...(reasons ?? []).map((text) => el("div", { class: "row" }, deed(text, () => done(text)))),
      written ? el("div", { class: "row" }, written, deed(go, () => written.value.trim() && done(written.value.trim()))) : null,
      el("div", { class: "row" }, reasons ? null : deed(go, () => done(true), { class: "deed yes" }), el("button", { type: "button", onclick: () => done(null) }, "Back")));
    box.onclose = () => resolve(answer);
    box.showModal();
  });
}
