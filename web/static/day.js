// Draws a stretch of a watch: plots that show the same span, moved and scaled together by finger, mouse, key or button.
import { along } from "./along.js";
import { dayClock, figure, locale, say } from "./say.js";

const HEIGHT = 96;
const STATE_HEIGHT = 64;
const AXIS = 46; // of the y axis: the same for all, so that times stand one under the other
const STATE = { g: ["go", 0.3], w: ["wait", 0.6], n: ["no-go", 1], ".": ["none", 0.05] };
const STATE_WORDS = { g: say("go"), w: say("wait"), n: say("no-go"), ".": say("box off") };
const LEAST_S = 30;
const RECEIVER = "from-receiver"; // the line that is drawn where the address names none

const place = document.getElementById("plots");
const said = document.getElementById("drawing");
const figures = new Map(); // by key: { figure, area, output, plot, shown }
let whole = null; // what was fetched: of all the watch, or of the stretch first asked for
let near = null; // and of where one looks
let view = null; // { from, to } in s
let colours = {};
let asking = null;
let frame = 0;

function readColours() {
  const style = getComputedStyle(document.documentElement);
  for (const name of ["ink", "soft", "hair", "band", "bad-ink", "hatch", "go-bar", "wait-bar", "no-go-bar", "none"]) {
    colours[name] = style.getPropertyValue(`--${name}`).trim();
  }
}

// Times: s since 1970, as uPlot has them.
function read(told) {
  const count = told.states.length;
  const times = Array.from({ length: count }, (_, at) => (told.zero + (at + 0.5) * told.step) / 1000);
  const plots = new Map(told.plots.map((one) => [one.key, one]));
  return { ...told, times, plots, start: told.zero / 1000, end: (told.zero + count * told.step) / 1000 };
}

function dataOf(key) {
  const of = source();
  const one = of.plots.get(key);
  if (!one) return [of.times, of.times.map(() => null), of.times.map(() => null), of.times.map(() => null)];
  return [of.times, one.least || one.mean, one.most || one.mean, one.mean];
}

function source() {
  return near && near.start <= view.from + 1 && near.end >= view.to - 1 ? near : whole;
}

// The same scale whatever one looks at, so that nothing jumps while it moves: from the whole of what was first fetched.
function heights(key) {
  const one = whole.plots.get(key);
  const values = [...(one.least || one.mean), ...(one.most || one.mean), ...one.needed].filter((value) => value !== null);
  if (!values.length) return [0, 1];
  const most = Math.max(...values);
  const least = Math.min(0, ...values);
  return [least, most > least ? most + (most - least) * 0.08 : least + 1];
}

function hatch(context, x, y, width, height) {
  context.save();
  context.beginPath();
  context.rect(x, y, width, height);
  context.clip();
  context.strokeStyle = colours.hatch;
  context.lineWidth = devicePixelRatio;
  context.beginPath();
  for (let at = x - height; at < x + width; at += 6 * devicePixelRatio) {
    context.moveTo(at, y + height);
    context.lineTo(at + height, y);
  }
  context.stroke();
  context.restore();
}

function spans(u, list, draw) {
  const { left, top, width, height } = u.bbox;
  for (const [start, end] of list) {
    const from = Math.max(left, u.valToPos(start / 1000, "x", true));
    const to = Math.min(left + width, u.valToPos(end / 1000, "x", true));
    if (to < left || from > left + width) continue;
    draw(from, top, Math.max(to - from, 2 * devicePixelRatio), height);
  }
}

function behind(u) {
  const context = u.ctx;
  const dot = devicePixelRatio;
  spans(u, source().faults, (x, y, width, height) => hatch(context, x, y, width, height));
  context.save();
  context.fillStyle = colours.ink;
  spans(u, source().losses, (x, y, width) => {
    for (let at = x; at < x + width; at += 5 * dot) context.fillRect(at, y, 2 * dot, 3 * dot);
  });
  context.restore();
}

function before(u, key) {
  const context = u.ctx;
  const dot = devicePixelRatio;
  const { left, top, width, height } = u.bbox;
  context.save();
  context.beginPath();
  context.rect(left, top, width, height);
  context.clip();
  context.strokeStyle = colours.ink;
  context.lineWidth = 1.5 * dot;
  const one = whole.plots.get(key);
  context.setLineDash([7 * dot, 5 * dot]);
  for (const value of one ? one.needed : []) {
    const y = u.valToPos(value, "y", true);
    context.beginPath();
    context.moveTo(left, y);
    context.lineTo(left + width, y);
    context.stroke();
  }
  context.setLineDash([]);
  context.fillStyle = colours.ink;
  for (const [at] of source().marks) {
    const x = u.valToPos(at / 1000, "x", true);
    context.beginPath();
    context.moveTo(x, top);
    context.lineTo(x, top + height);
    context.stroke();
    context.beginPath();
    context.moveTo(x, top);
    context.lineTo(x + 9 * dot, top + 5 * dot);
    context.lineTo(x, top + 10 * dot);
    context.fill();
  }
  context.restore();
}

function states(u) {
  const of = source();
  const context = u.ctx;
  const { left, top, width, height } = u.bbox;
  context.save();
  context.beginPath();
  context.rect(left, top, width, height);
  context.clip();
  for (let at = 0; at < of.states.length;) {
    let next = at + 1;
    while (of.states[next] === of.states[at]) next += 1;
    const [name, share] = STATE[of.states[at]];
    const x = u.valToPos((of.zero + at * of.step) / 1000, "x", true);
    const to = u.valToPos((of.zero + next * of.step) / 1000, "x", true);
    if (to >= left && x <= left + width) {
      context.fillStyle = colours[name === "none" ? "none" : `${name}-bar`];
      context.fillRect(x, top + height * (1 - share), Math.max(to - x, devicePixelRatio), height * share);
    }
    at = next;
  }
  context.restore();
}

function clock(times, step) {
  const form = step < 60 ? { timeStyle: "medium" } : step < 86400 ? { timeStyle: "short" } : { dateStyle: "short" };
  const format = new Intl.DateTimeFormat(locale, { ...form, hourCycle: step < 86400 ? "h23" : undefined });
  return times.map((time) => format.format(time * 1000));
}

function tell(entry, at) {
  const of = entry.drawn;
  if (!of) return;
  const one = of.plots.get(entry.key);
  if (at === null || at === undefined || at < 0 || at >= of.states.length) {
    entry.output.textContent = "";
    return;
  }
  const [when] = clock([of.zero / 1000 + (at * of.step) / 1000], of.step < 60000 ? 1 : 60);
  if (!one) {
    entry.output.textContent = `${when} ${STATE_WORDS[of.states[at]]}`;
  } else if (one.mean[at] === null) {
    entry.output.textContent = say("not told");
  } else {
    const shown = (value) => figure(value, one.digits);
    const range = one.least ? ` ${say("({least} to {most})", { least: shown(one.least[at]), most: shown(one.most[at]) })}` : "";
    entry.output.textContent = `${shown(one.mean[at])}${range}`;
  }
}

// How far apart times stand, in px: those of whole minutes are shorter.
const room = (u, axis, from, to, width) => (((to - from) * 50) / width > 30 ? 50 : 90);

function make(entry) {
  const { key, area } = entry;
  const state = key === "states";
  const ink = () => colours.ink;
  const grid = { stroke: () => colours.hair, width: 1 };
  const axis = { stroke: ink, grid, ticks: { show: false }, font: "16px system-ui, sans-serif" };
  const options = {
    width: area.clientWidth,
    height: state ? STATE_HEIGHT : HEIGHT,
    padding: [6, 18, 0, 0],
    legend: { show: false },
    cursor: {
      y: false, points: { show: false }, drag: { x: true, y: false, setScale: false },
      sync: { key: "day", filters: { pub: (type) => type === "mousemove" || type === "mouseleave" } },
    },
    scales: {
      x: { time: true, range: () => [view.from, view.to] },
      y: { range: () => (state ? [0, 1] : heights(key)) },
    },
    axes: [
      { ...axis, size: 28, gap: 6, space: room, values: (_, splits, __, ___, step) => clock(splits, step) },
      { ...axis, size: AXIS, gap: 4, space: 26, ...(state ? { values: () => [], grid: { show: false } } : {}) },
    ],
    series: state ? [{}, { stroke: "transparent" }] : [
      {},
      { paths: () => null, points: { show: false } },
      { paths: () => null, points: { show: false } },
      { stroke: ink, width: 2, points: { show: false } },
    ],
    hooks: {
      drawClear: [behind],
      draw: [(u) => (state ? states(u) : band(u)), (u) => before(u, key)],
      setCursor: [(u) => tell(entry, u.cursor.idx)],
      setSelect: [chosen],
    },
  };
  entry.plot = new uPlot(options, state ? [whole.times, whole.times.map(() => null)] : dataOf(key), area);
  entry.drawn = source();
}

// Least to most, pale, behind the line; drawn at once rather than as two series, which halves the time of a frame.
function band(u) {
  const [times, least, most] = u.data;
  const half = source().step / 2000;
  const context = u.ctx;
  const { left, top, width, height } = u.bbox;
  context.save();
  context.globalCompositeOperation = "destination-over";
  context.beginPath();
  context.rect(left, top, width, height);
  context.clip();
  context.fillStyle = colours.band;
  const dots = width / (view.to - view.from);
  const zero = u.valToPos(0, "y", true);
  const each = u.valToPos(1, "y", true) - zero;
  context.beginPath();
  for (let at = 0; at < times.length; at += 1) {
    if (most[at] === null || times[at] < view.from - half || times[at] > view.to + half) continue;
    const low = zero + each * least[at];
    const high = zero + each * most[at];
    if (low - high > 1) context.rect(left + (times[at] - half - view.from) * dots, high, 2 * half * dots + 0.5, low - high);
  }
  context.fill();
  context.restore();
}

function draw() {
  frame = 0;
  const of = source();
  for (const entry of figures.values()) {
    if (!entry.shown) continue;
    if (!entry.plot) make(entry);
    else if (entry.drawn !== of) {
      entry.drawn = of;
      entry.plot.setData(entry.key === "states" ? [of.times, of.times.map(() => null)] : dataOf(entry.key), true);
    } else entry.plot.setScale("x", { min: view.from, max: view.to });
  }
}

function soon() {
  if (!frame) frame = requestAnimationFrame(draw);
}

function bounds() {
  return [whole.whole[0] / 1000, whole.whole[1] / 1000];
}

function look(from, to) {
  const [first, last] = bounds();
  const length = Math.min(Math.max(to - from, LEAST_S), last - first);
  const middle = (from + to) / 2;
  const start = Math.min(Math.max(middle - length / 2, first), last - length);
  view = { from: start, to: start + length };
  soon();
}

function query(from, to, line = whole.line) {
  const [first, last] = bounds();
  const of = line === RECEIVER ? "" : `&line=${line}`;
  if (from <= first + 0.5 && to >= last - 0.5) return `watch=${whole.watch}${of}`;
  const iso = (time) => new Date(time * 1000).toISOString().slice(0, 19);
  return `watch=${whole.watch}&from=${iso(from)}&to=${iso(to)}${of}`;
}

// Once a hand rests: the address tells where one looks, and what is there is fetched as closely as it is kept.
async function settle(push = true) {
  const asked = query(view.from, view.to);
  if (push) window.history.pushState({ from: view.from, to: view.to }, "", `/day?${asked}`);
  tellWays();
  if (asking) asking.abort();
  asking = new AbortController();
  const length = view.to - view.from;
  try {
    const around = query(view.from - length / 2, view.to + length / 2);
    near = read(await (await fetch(`/day.json?${around}`, { signal: asking.signal })).json());
    said.textContent = "";
    list(near);
    soon();
  } catch (error) {
    if (error.name !== "AbortError") said.textContent = say("The box did not answer; this is drawn from what it sent before.");
  }
}

function chosen(u) {
  if (u.select.width < 4) return;
  const from = u.posToVal(u.select.left, "x");
  const to = u.posToVal(u.select.left + u.select.width, "x");
  u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
  look(from, to);
  settle();
}

const WAYS = {
  Earlier: ({ from, to }) => [from - (to - from) / 2, to - (to - from) / 2],
  Later: ({ from, to }) => [from + (to - from) / 2, to + (to - from) / 2],
  Closer: ({ from, to }) => [from + (to - from) / 4, to - (to - from) / 4],
  Wider: ({ from, to }) => [from - (to - from) / 2, to + (to - from) / 2],
  "Whole watch": () => bounds(),
};
const KEYS = { ArrowLeft: "Earlier", ArrowRight: "Later", "+": "Closer", "-": "Wider", 0: "Whole watch" };

function go(way) {
  look(...WAYS[way](view));
  settle();
}

function tellWays() {
  const [first, last] = bounds();
  const wider = view.to - view.from < last - first - 1;
  const open = {
    Earlier: view.from > first + 0.5, Later: view.to < last - 0.5, Closer: view.to - view.from > LEAST_S,
    Wider: wider, "Whole watch": wider,
  };
  for (const link of document.querySelectorAll("[data-way]")) {
    const way = link.dataset.way;
    if (open[way]) {
      link.removeAttribute("aria-disabled");
      link.href = `/day?${query(...WAYS[way](view))}`;
    } else {
      link.setAttribute("aria-disabled", "true");
      link.removeAttribute("href");
    }
  }
  for (const link of document.querySelectorAll("[data-line]")) link.href = `/day?${query(view.from, view.to, link.dataset.line)}`;
  for (const link of document.querySelectorAll("[data-other]")) link.href = `${link.dataset.other}?${query(view.from, view.to)}`;
}

// A length of time, as the box's own pages write it.
function brief(seconds) {
  if (seconds < 0.0995) return `${figure(seconds * 1000, 0)} ms`;
  if (seconds < 9.95) return `${figure(seconds, seconds < 0.995 ? 2 : 1)} s`;
  const whole = Math.round(seconds);
  if (whole < 60) return `${whole} s`;
  const [unit, small, of] = whole < 3600 ? ["min", "s", 1] : ["h", "min", 60];
  const rest = Math.floor((whole % (60 * of)) / of);
  return `${Math.floor(whole / (60 * of))} ${unit}${rest ? ` ${rest} ${small}` : ""}`;
}

function list({ listed }) {
  const rows = listed.rows.map((row) => {
    const words = Object.assign(document.createElement("b"), { textContent: row.says });
    const when = dayClock(row.at);
    const lasted = !row.lasted_s ? "" : `, ${say("for {lasted_s}", { lasted_s: brief(row.lasted_s) })}`;
    const small = Object.assign(document.createElement("small"), { textContent: `${when}${lasted}` });
    const inner = Object.assign(document.createElement(row.id ? "a" : "div"), row.id ? { href: `/fault/${row.id}` } : {});
    inner.append(words, " ", small);
    const item = document.createElement("li");
    item.append(inner);
    return item;
  });
  document.getElementById("listed").replaceChildren(...rows);
  document.getElementById("listed-more").textContent = rows.length === 0 ? say("Nothing in this stretch.")
    : listed.more ? say("And {more} more; look closer to see them.", { more: listed.more }) : "";
}

async function begin() {
  if (!window.uPlot) {
    said.textContent = say("The part that draws is missing on this box; the table below holds the same.");
    return;
  }
  readColours();
  const answer = await fetch(`/day.json?${place.dataset.query}`);
  whole = read(await answer.json());
  view = { from: whole.from / 1000, to: whole.to / 1000 };
  window.history.replaceState({ ...view }, "");
  const seen = new IntersectionObserver((entries) => {
    for (const one of entries) figures.get(one.target.dataset.key).shown = one.isIntersecting;
    soon();
  }, { rootMargin: "40px" });
  for (const figure of place.querySelectorAll(".plot")) {
    const { key } = figure.dataset;
    const area = figure.querySelector(".drawn");
    figures.set(key, { key, area, output: figure.querySelector("output"), plot: null, shown: false, drawn: null });
    seen.observe(figure);
    along(area, {
      room: () => ({ left: area.getBoundingClientRect().left + AXIS, width: area.clientWidth - AXIS - 18 }),
      view: () => view, look, settle,
    });
  }
  said.textContent = "";
  list(whole);
  tellWays();
  requestAnimationFrame(() => requestAnimationFrame(() => performance.mark("drawn")));
}

document.querySelector(".ways").addEventListener("click", (event) => {
  const link = event.target.closest("[data-way]");
  if (!view || !link) return;
  event.preventDefault();
  if (link.href) go(link.dataset.way);
});
place.addEventListener("keydown", (event) => {
  if (!view || !KEYS[event.key]) return;
  event.preventDefault();
  go(KEYS[event.key]);
});
window.addEventListener("popstate", (event) => {
  if (!event.state || !whole) return;
  look(event.state.from, event.state.to);
  settle(false);
});
window.addEventListener("resize", () => {
  for (const { plot, area, key } of figures.values()) {
    if (plot) plot.setSize({ width: area.clientWidth, height: key === "states" ? STATE_HEIGHT : HEIGHT });
  }
});
window.addEventListener("beforeprint", () => {
  for (const entry of figures.values()) entry.shown = true;
  if (view) draw();
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
  readColours();
  for (const { plot } of figures.values()) if (plot) plot.redraw(false);
});
begin();
