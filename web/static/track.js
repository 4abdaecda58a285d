// Moves and scales the plan: one finger or a mouse moves it, two fingers, the wheel or the buttons scale it.

const plan = document.getElementById("plan");
const bar = document.getElementById("bar");
const north = document.getElementById("north");
const pins = [...plan.querySelectorAll(".pin")];
const whole = plan.viewBox.baseVal;
const all = { x: whole.x, y: whole.y, width: whole.width, height: whole.height };
const LEAST_M = 5;
const fingers = new Map();
let view = { ...all };
let began = null;
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
  north.setAttribute("transform", `translate(${left + 20 * dot} ${top + 32 * dot}) scale(${dot})`);
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
  plan.setPointerCapture(event.pointerId);
  fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  start();
});
plan.addEventListener("pointermove", (event) => {
  if (!fingers.has(event.pointerId)) return;
  fingers.set(event.pointerId, { x: event.clientX, y: event.clientY });
  move();
});
for (const end of ["pointerup", "pointercancel"]) {
  plan.addEventListener(end, (event) => {
    if (fingers.delete(event.pointerId)) start();
  });
}
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
