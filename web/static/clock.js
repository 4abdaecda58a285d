// Puts the box's times, which are UTC, into this phone's zone: at first, and whatever comes later.
import { clock, date, dayClock, minute } from "./say.js";

const WATCH = /^\S+ \d\d:\d\d( \S+ )(?:\S+ )?\d\d:\d\d/;

// As the box wrote it: with a date, with seconds, or neither.
const form = (text) => (/^\d{4}-/.test(text) ? dayClock : /^\d\d:\d\d\s/.test(text) ? minute : clock);

function zone(root) {
  for (const place of root.querySelectorAll("time[datetime]")) {
    if (!place.textContent.endsWith("UTC")) continue;
    const when = new Date(place.dateTime);
    place.title = place.textContent;
    place.textContent = form(place.textContent)(when);
  }
  for (const place of root.querySelectorAll("text[data-at]")) {
    const here = minute(new Date(place.dataset.at));
    if (place.textContent !== here) place.textContent = here;
  }
}

// A watch in a list: "2026-05-04 14:02 to 15:20"
function zoneWatch(place) {
  const [start, end] = [new Date(place.dataset.from), new Date(place.dataset.to)];
  const until = date(start) === date(end) ? minute(end) : `${date(end)}, ${minute(end)}`;
  place.textContent = place.textContent.trim().replace(WATCH, (_, between) => `${date(start)}, ${minute(start)}${between}${until}`);
}

zone(document);
document.querySelectorAll("[data-from][data-to]").forEach(zoneWatch);
// What changes may be the very text of a time.
const around = ({ target }) => (target.nodeType === Node.TEXT_NODE ? target.parentElement : target)?.parentElement ?? document;
new MutationObserver((changes) => changes.forEach((change) => zone(around(change))))
  .observe(document.body, { childList: true, subtree: true, characterData: true });
