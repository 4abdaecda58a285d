// What scripts say, in the language of the page, and numbers and times as this phone writes them in it.
import words from "/words.js";

const language = document.documentElement.lang;
const primary = language.split("-")[0];
export const locale = navigator.languages.find((one) => one.split("-")[0] === primary) ?? language;

export function say(text, holes = {}) {
  return (words[text] ?? text).replace(/\{(\w+)\}/g, (hole, name) => holes[name] ?? hole);
}

export function figure(value, digits) {
  return value.toLocaleString(locale, { minimumFractionDigits: digits, maximumFractionDigits: digits, useGrouping: false });
}

const time = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
const CLOCK = new Intl.DateTimeFormat(locale, { ...time, second: "2-digit" });
const DATE = new Intl.DateTimeFormat(locale, { dateStyle: "medium" });
const MINUTE = new Intl.DateTimeFormat(locale, time);

export const clock = (when) => CLOCK.format(when);
export const date = (when) => DATE.format(when);
export const minute = (when) => MINUTE.format(when);
export const dayClock = (when) => `${date(when)}, ${clock(when)}`;
