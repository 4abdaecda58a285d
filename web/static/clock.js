// Puts the box's times, which are UTC, into this phone's zone: at first, and whatever comes later.
import { clock, date, dayClock, minute } from "./say.js";

const WATCH = /^(\d{4}-\d\d-\d\d) (\d\d:\d\d)( \S+ )(?:(\d{4}-\d\d-\d\d) )?(\d\d:\d\d)/;

function zone(root) {
  for (const place of root.querySelectorAll("time[datetime]")) {
    if (!place.textContent.endsWith("UTC")) continue;
    const when = new Date(place.dateTime);
    place.title = place.textContent;
    place.textContent = /^\d{4}-/.test(place.textContent) ? dayClock(when) : clock(when);
  }
  for (const place of root.querySelectorAll("text[data-at]")) {
    const here = minute(new Date(place.dataset.at));
    if (place.textContent !== here) place.textContent = here;
  }
}

// A watch in a list: "2026-05-04 14:02 to 15:20"
function zoneWatch(option) {
  option.textContent = option.textContent.trim().replace(WATCH, (_, day, from, between, last, to) => {
    const [start, end] = [new Date(`${day}T${from}Z`), new Date(`${last ?? day}T${to}Z`)];
    const until = date(start) === date(end) ? minute(end) : `${date(end)}, ${minute(end)}`;
    return `${date(start)}, ${minute(start)}${between}${until}`;
  });
}

zone(document);
document.querySelectorAll("select[name=watch] option, select[name=before] option, select[name=after] option").forEach(zoneWatch);
// What changes may be the very text of a time.
const around = ({ target }) => (target.nodeType === Node.TEXT_NODE ? target.parentElement : target)?.parentElement ?? document;
new MutationObserver((changes) => changes.forEach((change) => zone(around(change))))
  .observe(document.body, { childList: true, subtree: true, characterData: true });
