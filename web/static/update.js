// Sends an update piece by piece, each a request of its own, and tells what comes of it.
import { figure, say } from "./say.js";

const form = document.getElementById("update");
const said = document.getElementById("progress");
const bar = document.getElementById("bar");
const answer = document.getElementById("answer");
const button = form.querySelector("button");
const AGAIN_MS = 2000;
const SILENT_MS = 12000; // after this a phone is out of reach, whatever its network says
const TRIES = 40; // at least a minute out of reach

const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });
const megabytes = (bytes) => `${figure(bytes / 1e6, bytes < 1e7 ? 1 : 0)} MB`;

async function post(path, fields) {
  const body = new FormData();
  for (const [name, value] of Object.entries({ token: form.elements.token.value, ...fields })) body.append(name, value);
  const response = await fetch(path, { method: "POST", body, headers: { Accept: "application/json" }, signal: AbortSignal.timeout(SILENT_MS) });
  return response.json();
}

// The box may be out of reach for a while: a piece that it has already changes nothing, and it tells where to go on.
async function patiently(path, fields) {
  for (let tries = 1; ; tries += 1) {
    try {
      return await post(path, fields);
    } catch (error) {
      if (tries === TRIES) throw error;
      said.textContent = say("The box does not answer. Stay near it: this goes on by itself.");
      await pause(AGAIN_MS);
    }
  }
}

async function send(file) {
  const pin = form.elements.pin ? { pin: form.elements.pin.value } : {};
  const begun = await post("/box/update/begin", { size: file.size, ...pin });
  if (!begun.ok) return begun.says;
  bar.hidden = false;
  bar.max = file.size;
  for (let at = 0, done = false; !done;) {
    const piece = file.slice(at, at + begun.piece);
    const told = await patiently("/box/update/piece", { ticket: begun.ticket, at, piece });
    if (!told.ok) return told.says;
    ({ at, done } = told);
    bar.value = at;
    said.textContent = say("{part} of {whole} are in.", { part: megabytes(at), whole: megabytes(file.size) });
  }
  return "";
}

function show(update) {
  if (!update) return;
  const note = document.createElement("div");
  note.className = "note";
  const head = document.createElement("b");
  head.textContent = say("The last update: {state}.", { state: say(update.words) });
  note.append(head, ` ${update.version ? `${say("Version {number}.", { number: update.version })} ` : ""}${update.says}`);
  answer.replaceChildren(note);
}

// The page's own process starts anew on the way, so not to be answered is no trouble here.
async function follow() {
  button.disabled = true;
  for (let silent = 0; ;) {
    await pause(AGAIN_MS);
    try {
      const { waits, update } = await (await fetch("/box/changes.json", { cache: "no-store" })).json();
      silent = 0;
      show(update);
      if (!waits && !(update && update.under_way)) break;
      said.textContent = waits ? say("All of it is in. The box will take it up soon.") : say("The box is at it. This page tells when it is over.");
    } catch {
      silent += 1;
      said.textContent = silent < TRIES ? say("The box starts anew. This page goes on by itself.") : say("The box has not answered for a while. Look at its lamps, and reload this page.");
    }
  }
  said.textContent = say("It is over: see above.");
  button.disabled = false;
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const [file] = form.elements.file.files;
  button.disabled = true;
  said.textContent = say("Asked for.");
  let trouble = "";
  try {
    trouble = await send(file);
  } catch {
    trouble = say("The box did not answer, so nothing was changed. Try again near it.");
  }
  bar.hidden = true;
  button.disabled = false;
  if (trouble) said.textContent = trouble;
  else follow();
});
if (form.dataset.busy === "yes") follow();
