// Renews the front page from the box's stream of events, and sets marks.
import { forgetParts, layParts } from "./lay.js";
import { say } from "./say.js";
import { keepTouch, order } from "./touch.js";

function show({ parts, rows, state, title }) {
  layParts(parts, rows);
  document.body.dataset.state = state;
  document.title = `${title} · linelamp`;
}

async function mark(event) {
  event.preventDefault();
  const form = event.target;
  const said = document.getElementById("mark-said");
  said.textContent = say("Marking …");
  const { ok, says } = await order(form, event.submitter, say("The box did not answer, so nothing was marked."));
  said.textContent = says;
  if (ok) form.reset();
}

keepTouch("/live", { parts: show }, { opened: forgetParts, after: document.body.dataset.at });
document.getElementById("mark").addEventListener("submit", mark);
