// A second question, for the unusual only; or the reason for a no; or which of two ways.
import { by, deed, el, fill } from "./dom.js";

/** Resolves to true, or to the reason that was chosen or written, or to the value that was chosen (with `pick` to both, `way` and `picked`), or to null. */
export function sure(title, lines, go, { reasons = null, choice = null, pick = null } = {}) {
  const box = by("sure");
  return new Promise((resolve) => {
    let answer = null;
    const done = (value) => { answer = value; box.close(); };
    const written = reasons ? el("input", { type: "text", maxlength: 200, "aria-label": "Another reason", placeholder: "or in your own words" }) : null;
    const list = pick ? el("select", { "aria-label": pick.title, "data-key": "sure-pick" }, ...pick.options.map(({ value, text }) => el("option", { value }, text))) : null;
    const way = () => (choice ? box.querySelector("input[type=radio]:checked").value : true);
    const chosen = () => (list ? { way: way(), picked: list.value } : way());
    fill(box, el("h2", { id: "sure-title", text: title }), ...lines.map((text) => el("p", { text })),
      list ? el("div", { class: "row" }, el("label", {}, `${pick.title} `, list)) : null,
      choice ? choices(choice) : null,
      ...(reasons ?? []).map((text) => el("div", { class: "row" }, deed(text, () => done(text)))),
      written ? el("div", { class: "row" }, written, deed(go, () => written.value.trim() && done(written.value.trim()))) : null,
      el("div", { class: "row" }, reasons ? null : deed(go, () => done(chosen()), { class: "deed yes" }), el("button", { type: "button", onclick: () => done(null) }, "Back")));
    box.onclose = () => resolve(answer);
    box.showModal();
  });
}

/** One of several, the first unless another is chosen; the whole line is the target. */
function choices({ title, options }) {
  return el("fieldset", {}, el("legend", { text: title }), ...options.map(({ value, text, more }, number) => el("label", { class: "choice" },
    el("input", { type: "radio", name: "sure-choice", value, checked: number === 0 }), el("span", { class: "mark", "aria-hidden": "true" }),
    el("span", {}, el("b", { text }), `: ${more}`))));
}
