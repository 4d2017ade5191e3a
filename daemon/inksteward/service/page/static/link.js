// The stream from the service, and what is sent to it. Nothing heard for 3.5 s: the connection counts as lost.
import { by, deedsFollow, openDialog } from "./dom.js";

const SILENT_MS = 3500, AGAIN_MS = 1500;
export const store = { parts: {}, me: null, clockOffset: 0 };
const hearers = [];
let source = null, heardAt = -Infinity, lostSince = null, retry = 0;

/** Call `hearer(names)` whenever parts have changed; `me` is among the names when who is signed in has. */
export const hear = (hearer) => hearers.push(hearer);
const tell = (names) => hearers.forEach((hearer) => hearer(names));

export function open() {
  clearTimeout(retry);
  if (source) source.close();
  source = new EventSource("/api/stream");
  source.addEventListener("hello", (event) => {
    store.parts = {};
    pending.clear();
    beat(JSON.parse(event.data));
    up();
  });
  source.addEventListener("beat", (event) => beat(JSON.parse(event.data)));
  source.addEventListener("part", (event) => {
    heardAt = performance.now();
    const { name, body } = JSON.parse(event.data);
    store.parts[name] = body;
    pending.add(name);
    if (pending.size === 1) requestAnimationFrame(flush);
  });
  source.addEventListener("closing", () => down("The service is stopping."));
  source.onerror = () => down("The service does not answer.");
}

const pending = new Set();
function flush() {
  const names = new Set(pending);
  pending.clear();
  if (names.size) tell(names);
}

function beat(data) {
  heardAt = performance.now();
  store.clockOffset = data.mono_ms - heardAt;
  const before = JSON.stringify([store.me?.id, store.me?.left_s < 60 ? store.me.left_s : ""]);
  store.me = data.me;
  const after = JSON.stringify([store.me?.id, store.me?.left_s < 60 ? store.me.left_s : ""]);
  if (before !== after) tell(new Set(["me"]));
}

/** Milliseconds of the service's own clock, now. */
export const serviceMs = () => performance.now() + store.clockOffset;

function up() {
  lostSince = null;
  document.documentElement.dataset.link = "up";
  banner.hidden = true;
  afloat();
  deedsFollow();
}

const banner = by("lost");
/** Across the top of what is in reach: of the page, or of the dialog that is open. */
function afloat() {
  const dialog = openDialog();
  if (dialog ? banner.parentNode === dialog : banner.parentNode === document.body) return;
  if (dialog) dialog.prepend(banner); else document.querySelector(".skip").after(banner);
}

function down(why) {
  if (lostSince === null) {
    lostSince = new Date();
    document.documentElement.dataset.link = "lost";
    afloat();
    banner.textContent = `NO CONNECTION since ${lostSince.toLocaleTimeString()}. ${why} What you see is old, and nothing can be decided here.`;
    banner.hidden = false;
    deedsFollow();
  }
  clearTimeout(retry);
  retry = setTimeout(() => { if (!source || source.readyState === EventSource.CLOSED || lostSince) open(); }, AGAIN_MS);
}

setInterval(() => {
  if (lostSince !== null) afloat();
  if (lostSince === null && performance.now() - heardAt > SILENT_MS) down("Nothing was heard from the service.");
}, 500);

/** POST; the answer's status and data. Status 0: it did not arrive, or nobody knows. */
export async function post(what, data) {
  try {
    const reply = await fetch(`/api/${what}`, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(data), signal: AbortSignal.timeout(12000),
    });
    return { status: reply.status, data: await reply.json() };
  } catch (error) {
    return { status: 0, data: { text: "No answer: look at the record before you try again.", detail: String(error) } };
  }
}

export async function chart(unit, zone) {
  try {
    const reply = await fetch(`/api/chart/${encodeURIComponent(unit)}/${zone}`);
    return reply.ok ? await reply.json() : null;
  } catch (error) {
    console.info("no chart", String(error));
    return null;
  }
}

let touchedAt = -Infinity;
/** Somebody is at the page: an operator who is signed in stays so. */
function touched() {
  if (store.me && performance.now() - touchedAt > 20000) {
    touchedAt = performance.now();
    post("touch", {});
  }
}
addEventListener("pointerdown", touched);
addEventListener("keydown", touched);
