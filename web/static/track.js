// Moves and scales the plan: one finger or a mouse moves it, two fingers, the wheel or the buttons scale it.

import { say } from "./say.js";

const plan = document.getElementById("plan");
const bar = document.getElementById("bar");
const north = document.getElementById("north");
const flags = document.getElementById("flags");
const here = document.getElementById("here");
const pins = [...plan.querySelectorAll(".pin")];
const whole = plan.viewBox.baseVal;
const all = { x: whole.x, y: whole.y, width: whole.width, height: whole.height };
const LEAST_M = 5;
const MOVED = 6; // px
const fingers = new Map();
let view = { ...all };
let began = null;
let moved = false;
let frame = 0;

// What is seen, in metres: the box of the view is put whole into the plan, so one way more is seen than it tells.
function seen() {
  const { width, height } = plan.getBoundingClientRect();
  const dot = Math.max(view.width / width, view.height / height); // metres in a px
  return { dot, left: view.x + (view.width - width * dot) / 2, top: view.y + (view.height - height * dot) / 2, width: width * dot, height: height * dot };
}

function draw() {
  frame = 0;
  plan.setAttribute("viewBox", `${view.x} ${view.y} ${view.width} ${view.height}`);
  const { dot, left, top, width, height } = seen();
  for (const pin of pins) pin.setAttribute("transform", `translate(${pin.dataset.x} ${pin.dataset.y}) scale(${dot})`);
  const power = 10 ** Math.floor(Math.log10(width / 3));
  const length = [5, 2, 1].map((size) => size * power).find((size) => size <= width / 3);
  bar.setAttribute("transform", `translate(${left + 12 * dot} ${top + height - 12 * dot}) scale(${dot})`);
  bar.querySelector("path").setAttribute("d", `M0 -6V0H${length / dot}V-6`);
  bar.querySelector("text").textContent = length >= 1000 ? `${length / 1000} km` : `${Number(length.toPrecision(1))} m`;
  plant(dot, left, top, width);
  north.setAttribute("transform", `translate(${left + 20 * dot} ${top + 32 * dot}) scale(${dot})`);
}

// The faults' flags: those that would overlap at this scale are one. As flags.py does it.
const [WIDE, TALL, BETWEEN] = [68, 48, 4];
const STEM = 10;
const SVG = "http://www.w3.org/2000/svg";
const spots = pins.filter((pin) => pin.dataset.number).map((pin) => ({ number: Number(pin.dataset.number), x: Number(pin.dataset.x), y: Number(pin.dataset.y) }));
const planted = new Map([...flags.children].map((flag) => [flag.dataset.numbers, flag])); // by the faults they stand for

function stand(group, width) {
  const x = group.reduce((sum, spot) => sum + spot.at.x, 0) / group.length;
  const y = group.reduce((sum, spot) => sum + spot.at.y, 0) / group.length;
  const up = STEM + TALL / 2;
  const atX = x >= 0 && x <= width ? Math.min(Math.max(x, WIDE / 2), width - WIDE / 2) : x;
  return { group, foot: { x, y }, at: { x: atX, y: y >= 0 && y < TALL + STEM ? y + up : y - up } };
}

function words(group) {
  const numbers = group.map(({ number }) => number);
  if (numbers.length < 3) return numbers.join(", ");
  const [first, last] = [numbers[0], numbers[numbers.length - 1]];
  return `${first}${last - first === numbers.length - 1 ? "–" : "…"}${last}`;
}

function grouped(places, width) {
  const stands = places.map((spot) => stand([spot], width));
  const overlap = () => {
    for (let one = 0; one < stands.length; one += 1) {
      for (let other = one + 1; other < stands.length; other += 1) {
        const [a, b] = [stands[one].at, stands[other].at];
        if (Math.abs(a.x - b.x) < WIDE + BETWEEN && Math.abs(a.y - b.y) < TALL + BETWEEN) return [one, other];
      }
    }
    return null;
  };
  for (let pair = overlap(); pair; pair = overlap()) {
    const [one, other] = pair;
    const group = [...stands[one].group, ...stands[other].group].sort((a, b) => a.number - b.number);
    stands.splice(other, 1);
    stands[one] = stand(group, width);
  }
  return stands;
}

function raise(key, group) {
  const flag = document.createElementNS(SVG, "a");
  flag.classList.add("flag");
  flag.dataset.numbers = key;
  flag.setAttribute("href", `#spot-${group[0].number}`);
  flag.setAttribute("aria-label", say(group.length === 1 ? "Fault {numbers}" : "Faults {numbers}", { numbers: words(group) }));
  for (const name of ["path", "rect", "text"]) flag.append(document.createElementNS(SVG, name));
  const [stem, square, text] = flag.children;
  stem.classList.add("stem");
  for (const [name, value] of Object.entries({ width: WIDE, height: TALL, rx: 6 })) square.setAttribute(name, value);
  text.textContent = words(group);
  return flag;
}

function plant(dot, left, top, width) {
  const places = spots.map((spot) => ({ ...spot, at: { x: (spot.x - left) / dot, y: (spot.y - top) / dot } }));
  const shown = new Set();
  for (const { group, foot, at } of grouped(places, width / dot)) {
    const key = group.map(({ number }) => number).join(" ");
    shown.add(key);
    if (!planted.has(key)) {
      planted.set(key, raise(key, group));
      flags.append(planted.get(key));
    }
    const flag = planted.get(key);
    const [stem, square, text] = flag.children;
    const [x, y] = [at.x - foot.x, at.y - foot.y];
    flag.setAttribute("transform", `translate(${left + foot.x * dot} ${top + foot.y * dot}) scale(${dot})`);
    stem.setAttribute("d", `M0 0L${x} ${y}`);
    square.setAttribute("x", x - WIDE / 2);
    square.setAttribute("y", y - TALL / 2);
    text.setAttribute("x", x);
    text.setAttribute("y", y + 6);
  }
  for (const [key, flag] of planted) {
    if (shown.has(key)) continue;
    flag.remove();
    planted.delete(key);
  }
}

// One fault: its page. Several: a list of them, right under the plan.
function open(flag) {
  const rows = flag.dataset.numbers.split(" ").map((number) => document.getElementById(`spot-${number}`));
  if (rows.length === 1) {
    window.location.assign(rows[0].querySelector("a").href);
    return;
  }
  const head = document.createElement("b");
  head.textContent = say("At this place:");
  const list = document.createElement("ol");
  list.className = "rows";
  for (const row of rows) {
    const item = document.createElement("li");
    item.append(row.querySelector("a").cloneNode(true));
    list.append(item);
  }
  here.replaceChildren(head, list);
  here.hidden = false;
  here.scrollIntoView({ block: "nearest" });
}

function soon() {
  if (!frame) frame = requestAnimationFrame(draw);
}

// by: how many times larger. at: the place in metres that stays where it is.
function scale(by, at = { x: view.x + view.width / 2, y: view.y + view.height / 2 }, from = view) {
  const most = Math.max(from.width, from.height) / LEAST_M;
  const least = Math.max(from.width / all.width, 0.01) / 4;
  const times = Math.min(Math.max(by, least), Math.max(most, 1));
  view = { x: at.x - (at.x - from.x) / times, y: at.y - (at.y - from.y) / times, width: from.width / times, height: from.height / times };
  soon();
}

function start() {
  const { dot, left, top } = seen();
  const box = plan.getBoundingClientRect();
  began = { places: [...fingers.values()].map((place) => ({ ...place })), view: { ...view }, dot, left, top, box };
}

const metres = ({ x, y }) => ({ x: began.left + (x - began.box.left) * began.dot, y: began.top + (y - began.box.top) * began.dot });
const middle = ([one, other]) => ({ x: (one.x + other.x) / 2, y: (one.y + other.y) / 2 });
const apart = ([one, other]) => Math.hypot(one.x - other.x, one.y - other.y);

function move() {
  const now = [...fingers.values()];
  const many = now.length > 1;
  const [first, last] = many ? [middle(began.places), middle(now)] : [began.places[0], now[0]];
  const [from, to] = [metres(first), metres(last)];
  const moved = { ...began.view, x: began.view.x + from.x - to.x, y: began.view.y + from.y - to.y };
  if (many) scale(apart(now) / Math.max(apart(began.places), 8), from, moved);
  else {
    view = moved;
    soon();
  }
}

plan.addEventListener("pointerdown", (event) => {
  if (!fingers.size) moved = false;
  fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  start();
});
plan.addEventListener("pointermove", (event) => {
  if (!fingers.has(event.pointerId)) return;
  if (!moved) { // what moves less is a tap, and goes to the flag that it is on
    if (Math.hypot(event.clientX - began.places[0].x, event.clientY - began.places[0].y) < MOVED && fingers.size === 1) return;
    moved = true;
    for (const finger of fingers.keys()) plan.setPointerCapture(finger);
  }
  fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  move();
});
for (const end of ["pointerup", "pointercancel"]) {
  plan.addEventListener(end, (event) => {
    if (fingers.delete(event.pointerId)) start();
  });
}
plan.addEventListener("click", (event) => {
  const flag = event.target.closest(".flag");
  if (!flag) return;
  event.preventDefault();
  if (!moved) open(flag);
});
plan.addEventListener("dragstart", (event) => event.preventDefault());
plan.addEventListener("wheel", (event) => {
  event.preventDefault();
  start();
  scale(Math.exp(-event.deltaY / 400), metres({ x: event.clientX, y: event.clientY }));
}, { passive: false });
const ORDERS = {
  larger: () => scale(2), smaller: () => scale(0.5),
  all: () => { view = { ...all }; soon(); },
};
for (const [id, order] of Object.entries(ORDERS)) document.getElementById(id).addEventListener("click", order);
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const KEYS = { "+": "larger", "-": "smaller", 0: "all" };
plan.addEventListener("keydown", (event) => {
  if (STEPS[event.key]) {
    const [x, y] = STEPS[event.key];
    view = { ...view, x: view.x + (x * view.width) / 5, y: view.y + (y * view.height) / 5 };
    soon();
  } else if (KEYS[event.key]) ORDERS[KEYS[event.key]]();
  else return;
  event.preventDefault();
});
window.addEventListener("resize", soon);
soon();
