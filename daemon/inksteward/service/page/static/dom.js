// Elements without markup: text is only ever text.

/** An element; `props`: class, text, data-*, aria-*, on* handlers, plain attributes. Children may be null. */
export function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  set(node, props);
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

/** The same for SVG. */
export function svg(tag, props = {}, ...children) {
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  set(node, props);
  node.append(...children.flat().filter(Boolean));
  return node;
}

function set(node, props) {
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "text") node.textContent = value;
    else if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : String(value));
  }
}

export const by = (id) => document.getElementById(id);

/** Replace what an element holds; what has a data-key keeps the focus, and stays unfolded. */
export function fill(node, ...children) {
  const focused = node.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  const unfolded = new Set([...node.querySelectorAll("details[open]")].map((each) => each.dataset.key));
  node.replaceChildren(...children.flat(2).filter(Boolean));
  for (const each of node.querySelectorAll("details[data-key]")) each.open = unfolded.has(each.dataset.key);
  if (focused) {
    const again = [...node.querySelectorAll("[data-key]")].find((each) => each.dataset.key === focused);
    if (again) again.focus({ preventScroll: true });
  }
}

const built = new WeakMap();
/** Fill an element anew only if `facts` differ from those it was filled by: what is under a finger stays there. */
export function keep(node, facts, build) {
  const now = JSON.stringify(facts);
  if (built.get(node) === now) return;
  built.set(node, now);
  fill(node, ...[build()].flat());
}

/** A button that does something at the press: off while the connection is lost. */
export function deed(label, onclick, props = {}) {
  const { off, ...rest } = props;
  return el("button", { type: "button", class: "deed", onclick, disabled: off || lost(), "data-deed": off ? "off" : "on", ...rest }, label);
}

export const lost = () => document.documentElement.dataset.link !== "up";

/** All deeds on or off with the connection. */
export function deedsFollow() {
  for (const each of document.querySelectorAll("[data-deed]")) each.disabled = lost() || each.dataset.deed === "off";
}

/** The dialog that lies on top, if one is open. */
export const openDialog = () => [...document.querySelectorAll("dialog[open]")].at(-1);

/** A section under a heading of its own. */
export const part = (title, ...children) => el("section", { "aria-label": title }, el("h3", { text: title }), ...children);

let fading = 0, line = null;
/** A line for a few seconds, read out as well; in the dialog that is open, since what lies beneath one is out of reach. */
export function say(text, bad = false) {
  line ??= by("say");
  const home = openDialog() ?? document.body;
  if (line.parentNode !== home) home.append(line);
  line.textContent = text;
  line.classList.toggle("bad", bad);
  line.classList.add("there");
  clearTimeout(fading);
  fading = setTimeout(() => line.classList.remove("there"), bad ? 12000 : 5000);
}

document.addEventListener("close", () => { if (line) (openDialog() ?? document.body).append(line); }, true);

/** An id that nobody else gives. */
export function newId(kind) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return kind + "-" + [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
