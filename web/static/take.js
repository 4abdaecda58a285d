// Tells how large each form will be as one chooses, and how far a download is.
import { figure, say } from "./say.js";

const form = document.getElementById("take");
const sizes = JSON.parse(form.dataset.sizes);
const said = document.getElementById("progress");
const bar = document.getElementById("bar");
const ticket = form.elements.ticket;
const ASK_MS = 700;
let asking = null;
let wait = 0;

function words(bytes) {
  if (bytes < 1000) return say("{count} bytes", { count: bytes });
  let value = bytes;
  for (const unit of ["kB", "MB", "GB"]) {
    value /= 1000;
    if (value < 999.5 || unit === "GB") return `${figure(value, value < 9.95 ? 1 : 0)} ${unit}`;
  }
  return "";
}

const chosen = () => form.elements.span.value;
const line = () => (form.elements.line ? form.elements.line.value : "from-receiver");

function tell(of) {
  for (const place of form.querySelectorAll("[data-form]")) {
    place.textContent = of ? words(of[line()][place.dataset.form]) : "…";
  }
}

async function askBetween() {
  if (asking) asking.abort();
  asking = new AbortController();
  const query = new URLSearchParams(new FormData(form));
  try {
    const answer = await fetch(`/take/sizes.json?${query}`, { signal: asking.signal });
    said.textContent = answer.ok ? "" : say("There is nothing between these two times. Choose others.");
    tell(answer.ok ? await answer.json() : null);
  } catch (error) {
    if (error.name !== "AbortError") said.textContent = say("The box did not answer.");
  }
}

function choose(event) {
  if (event && (event.target.name === "from" || event.target.name === "to")) form.elements.span.value = "between";
  if (chosen() === "between") {
    tell(null);
    clearTimeout(wait);
    wait = setTimeout(askBetween, 300);
  } else tell(sizes[chosen()]);
}

async function follow(name) {
  bar.hidden = false;
  for (let misses = 0; misses < 5;) {
    await new Promise((done) => { setTimeout(done, ASK_MS); });
    try {
      const answer = await fetch(`/take/progress.json?ticket=${name}`, { cache: "no-store" });
      if (!answer.ok) throw new Error("not there");
      const { sent, about, done } = await answer.json();
      misses = 0;
      bar.max = Math.max(about, sent, 1);
      bar.value = sent;
      said.textContent = done ? say("All of it has been sent: {sent}.", { sent: words(sent) }) : say("{sent} of about {about} sent.", { sent: words(sent), about: words(about) });
      if (done) break;
    } catch {
      misses += 1;
      if (misses === 5) said.textContent = say("Nothing is heard of the download. Look at what this phone says of it.");
    }
  }
  bar.hidden = true;
}

form.addEventListener("change", choose);
form.addEventListener("submit", (event) => {
  const to = event.submitter && event.submitter.getAttribute("formaction");
  if (!to) {
    ticket.disabled = true;
    return;
  }
  ticket.value = [...crypto.getRandomValues(new Uint8Array(8))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  ticket.disabled = false;
  said.textContent = say("Asked for.");
  follow(ticket.value);
});
choose();
