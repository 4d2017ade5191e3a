// A request of the contract: asked for by whom is signed in, answered by the core, told in a line.
import { newId, say } from "./dom.js";
import { post, store } from "./link.js";
import { refusals } from "./words.js";
import { signIn } from "./door.js";

/** What came of it: `good` if it was accepted, else `errors` (field, value, expected) or at least `text`, which is told here
 *  unless the caller tells it in a `place` of his own. */
export async function request(kind, members, done, place = false) {
  if (!store.me) { signIn(); return { good: false, errors: [], text: "sign in first" }; }
  const reply = await post("request", { request_id: newId("r"), kind, ...members });
  const good = reply.status === 200 && reply.data.accepted, judged = reply.status === 200 || reply.status === 400;
  const errors = good || !judged ? [] : reply.data.errors ?? [];
  const text = good ? done : judged ? refusals(errors) : reply.data.text;
  if (good || !place) say(good ? done : `Not done: ${text}`, !good);
  return { good, errors, text };
}
