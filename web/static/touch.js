// Keeps touch with the box: its stream of events, saying so when that is lost, and what it is asked to do.

import { clock, say } from "./say.js";

const LOST_AFTER_MS = 2200; // the box gives a sign of life each second
const TRY_AGAIN_MS = 4000;

const lost = document.getElementById("lost");
const since = document.getElementById("lost-since");
const more = document.getElementById("lost-more");

// address: of the stream. listeners: what to call with the data of each event, by its name. opened: at each connection.
// after: id of what the page shows already; a stream that tells ids is asked for what came after the last.
export function keepTouch(address, listeners, { opened = () => {}, after = "" } = {}) {
  let last = after;
  let stream = null;
  let heardAt = Date.now(); // this phone's clock, to be shown
  let heard = performance.now();
  let tried = 0;

  function alive() {
    heard = performance.now();
    heardAt = Date.now();
    if (lost.hidden) return;
    lost.hidden = true;
    document.documentElement.classList.remove("lost");
    more.textContent = "";
  }

  function connect() {
    if (stream) stream.close();
    tried = performance.now();
    stream = new EventSource(last ? `${address}?after=${encodeURIComponent(last)}` : address);
    stream.addEventListener("open", opened);
    stream.addEventListener("beat", alive);
    for (const [name, listener] of Object.entries(listeners)) {
      stream.addEventListener(name, (message) => {
        listener(JSON.parse(message.data));
        last = message.lastEventId || last;
        alive();
      });
    }
    stream.addEventListener("error", () => {
      if (stream.readyState === EventSource.CLOSED) ask();
    });
  }

  // A refusal closes the stream for good without telling why: ask once in words.
  async function ask() {
    const asking = new AbortController();
    try {
      const answer = await fetch(address, { signal: asking.signal, cache: "no-store" });
      more.textContent = answer.status === 503 ? await answer.text() : "";
    } catch {
      more.textContent = "";
    }
    asking.abort();
  }

  function watch() {
    if (performance.now() - heard < LOST_AFTER_MS) return;
    if (lost.hidden) {
      since.textContent = clock(heardAt);
      lost.hidden = false;
      document.documentElement.classList.add("lost");
      document.title = `${say("LOST")} · linelamp`;
    }
    if (performance.now() - tried > TRY_AGAIN_MS) connect();
  }

  connect();
  setInterval(watch, 250);
  document.addEventListener("visibilitychange", watch);
}

function submitAsPage(form, submitter) {
  if (submitter && submitter.name) {
    const pressed = document.createElement("input");
    Object.assign(pressed, { type: "hidden", name: submitter.name, value: submitter.value });
    form.append(pressed);
  }
  form.submit();
}

// Sends a form without leaving the page; gives {ok, says}, also where the box does not answer.
export async function order(form, submitter, unanswered) {
  const fields = new FormData(form);
  if (submitter && submitter.name) fields.append(submitter.name, submitter.value);
  const buttons = [...form.querySelectorAll("button")];
  for (const button of buttons) button.disabled = true;
  try {
    const answer = await fetch(form.action, {
      method: "POST",
      body: new URLSearchParams(fields),
      headers: { Accept: "application/json" },
      signal: AbortSignal.timeout(5000),
    });
    const told = await answer.json();
    if (told.ask_pin) submitAsPage(form, submitter); // the page that asks for the PIN takes over
    return told;
  } catch {
    return { ok: false, says: unanswered };
  } finally {
    for (const button of buttons) button.disabled = false;
  }
}
