// Renews the parts of a page from its stream of events.
import { forgetParts, layParts } from "./lay.js";
import { keepTouch } from "./touch.js";

const { live, at } = document.body.dataset;
const title = document.title;

keepTouch(live, {
  parts: ({ parts, rows }) => {
    layParts(parts, rows);
    document.title = title;
  },
}, { opened: forgetParts, after: at });
