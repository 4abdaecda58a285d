// Renews the page from the box's stream of events, and says so when the stream is lost.
// Every part comes escaped from the box, made from the same template as the first view; it is laid over the old one
// node by node, so that what is open, focused or scrolled stays so.
"use strict";

const LOST_AFTER_MS = 2200; // the box gives a sign of life each second
const TRY_AGAIN_MS = 4000;

const lost = document.getElementById("lost");
const since = document.getElementById("lost-since");
const more = document.getElementById("lost-more");
let stream = null;
let heardAt = Date.now(); // this phone's clock, to be shown
let heard = performance.now();
let tried = 0;

function lay(old, fresh) {
  if (old.nodeType !== fresh.nodeType || old.nodeName !== fresh.nodeName) {
    old.replaceWith(document.importNode(fresh, true));
  } else if (old.nodeType === Node.ELEMENT_NODE) {
    for (const { name } of [...old.attributes]) {
      if (name !== "open" && !fresh.hasAttribute(name)) old.removeAttribute(name);
    }
    for (const { name, value } of fresh.attributes) {
      if (name !== "open" && old.getAttribute(name) !== value) old.setAttribute(name, value);
    }
    layChildren(old, fresh);
  } else if (old.textContent !== fresh.textContent) {
    old.textContent = fresh.textContent;
  }
}

function layChildren(old, fresh) {
  [...fresh.childNodes].forEach((child, at) => {
    const there = old.childNodes[at] || null;
    // What has an id keeps its node wherever it moves, and with it whether it is open.
    const kept = child.id && [...old.children].find((element) => element.id === child.id);
    if (kept) {
      if (kept !== there) old.insertBefore(kept, there);
      lay(kept, child);
    } else if (there && !child.id && !there.id) {
      lay(there, child);
    } else {
      old.insertBefore(document.importNode(child, true), there);
    }
  });
  while (old.childNodes.length > fresh.childNodes.length) old.lastChild.remove();
}

function show(message) {
  const { parts, state, title } = JSON.parse(message.data);
  for (const [name, html] of Object.entries(parts)) {
    const place = document.querySelector(`[data-part="${name}"]`);
    if (place) layChildren(place, new DOMParser().parseFromString(html, "text/html").body);
  }
  document.body.dataset.state = state;
  document.title = `${title} · linelamp`;
  alive();
}

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
  stream = new EventSource("/live");
  stream.addEventListener("parts", show);
  stream.addEventListener("beat", alive);
  stream.addEventListener("error", () => {
    if (stream.readyState === EventSource.CLOSED) ask();
  });
}

// A refusal closes the stream for good without telling why: ask once in words.
async function ask() {
  const asking = new AbortController();
  try {
    const answer = await fetch("/live", { signal: asking.signal, cache: "no-store" });
    more.textContent = answer.status === 503 ? await answer.text() : "";
  } catch {
    more.textContent = "";
  }
  asking.abort();
}

function watch() {
  if (performance.now() - heard < LOST_AFTER_MS) return;
  if (lost.hidden) {
    since.textContent = new Date(heardAt).toLocaleTimeString("en-GB");
    lost.hidden = false;
    document.documentElement.classList.add("lost");
    document.title = "LOST · linelamp";
  }
  if (performance.now() - tried > TRY_AGAIN_MS) connect();
}

async function mark(event) {
  event.preventDefault();
  const form = event.target;
  const said = document.getElementById("mark-said");
  const button = form.querySelector("button");
  button.disabled = true;
  said.textContent = "Marking …";
  try {
    const answer = await fetch("/mark", {
      method: "POST",
      body: new URLSearchParams(new FormData(form)),
      headers: { Accept: "application/json" },
      signal: AbortSignal.timeout(5000),
    });
    const { ok, says } = await answer.json();
    said.textContent = says;
    if (ok) form.reset();
  } catch {
    said.textContent = "The box did not answer, so nothing was marked.";
  }
  button.disabled = false;
}

connect();
setInterval(watch, 250);
document.addEventListener("visibilitychange", watch);
document.getElementById("mark").addEventListener("submit", mark);
