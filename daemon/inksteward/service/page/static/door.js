// Signing in by name and PIN, with keys large enough for gloves.
import { by, el, fill, lost, say } from "./dom.js";
import { open, post, store } from "./link.js";

export function drawWho() {
  const me = store.me;
  const soon = me && me.left_s < 60 ? `, out in ${me.left_s} s` : "";
  fill(by("who"), me ? el("span", { text: `${me.name}${soon}` }) : null,
    el("button", { type: "button", "data-key": "who", onclick: me ? signOut : signIn }, me ? "Sign out" : "Sign in"));
}

async function signOut() {
  await post("sign-out", {});
  store.me = null;
  drawWho();
  open();
}

export function signIn() {
  const people = store.parts.people ?? [];
  if (people.length === 1) ask(people[0]);
  else fill(by("door"), el("h2", { id: "door-title", text: "Who are you?" }),
    people.length ? el("div", { class: "row names" }, ...people.map((each) => el("button", { type: "button", onclick: () => ask(each) }, each.name)))
      : el("p", { text: "No operator has a PIN yet: inksteward operators add." }), back());
  if (!by("door").open) by("door").showModal();
}

const back = () => el("div", { class: "row" }, el("button", { type: "button", onclick: () => by("door").close() }, "Back"));

function ask(person) {
  const pin = el("input", { class: "pin", type: "password", inputmode: "numeric", autocomplete: "off", maxlength: 12, "aria-label": "PIN" });
  const told = el("p", { role: "alert" });
  const press = (digit) => { pin.value = digit === "⌫" ? pin.value.slice(0, -1) : pin.value + digit; };
  const enter = el("button", { type: "submit", class: "yes", disabled: lost(), "data-deed": "on" }, "Sign in");
  const tried = async (event) => {
    event.preventDefault();
    enter.disabled = true;
    const reply = await post("sign-in", { name: person.id, pin: pin.value });
    pin.value = "";
    enter.disabled = lost();
    if (reply.status === 200) {
      by("door").close();
      say(`Good to see you, ${person.name}.`);
      open();
    } else { told.textContent = reply.data.text; told.className = "bad"; pin.focus(); }
  };
  fill(by("door"), el("h2", { id: "door-title", text: person.name }),
    el("form", { onsubmit: tried }, el("div", { class: "row" }, el("label", {}, "PIN ", pin)), told,
      el("div", { class: "pad" }, ..."123456789⌫0".split("").map((digit) => el("button", { type: "button", "aria-label": digit === "⌫" ? "Take back" : digit, onclick: () => press(digit) }, digit)), enter), back()));
  pin.focus();
}
