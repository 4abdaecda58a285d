// Fingers on something that lies along time: one moves it, two scale it. A mouse is left to whoever draws.

const MOVED = 6; // px before a finger counts as moving across; less is a tap

// room: the left edge and the width of what is drawn, in px. view: what it shows, as { from, to }. look: called while
// it moves. settle: called when the fingers are gone.
export function along(area, { room, view, look, settle }) {
  const fingers = new Map();
  let began = null;

  function start() {
    const places = [...fingers.values()];
    began = places.length ? { places: places.map(({ x }) => x), view: { ...view() }, moved: began ? began.moved : false } : null;
  }

  function move() {
    const { left, width } = room();
    const now = [...fingers.values()].map(({ x }) => x);
    const { from, to } = began.view;
    const at = (x) => from + ((x - left) / width) * (to - from);
    if (now.length === 1) {
      const by = at(began.places[0]) - at(now[0]);
      if (Math.abs(now[0] - began.places[0]) > MOVED) began.moved = true;
      if (began.moved) look(from + by, to + by);
      return;
    }
    began.moved = true;
    const [first, second] = [Math.min(...began.places.slice(0, 2)), Math.max(...began.places.slice(0, 2))].map(at);
    const [low, high] = [Math.min(...now.slice(0, 2)), Math.max(...now.slice(0, 2))];
    const scale = (second - first) / Math.max(high - low, 8); // time in a px
    const begin = first - (low - left) * scale;
    look(begin, begin + width * scale);
  }

  area.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse") return;
    fingers.set(event.pointerId, { x: event.clientX });
    start();
  });
  area.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    fingers.get(event.pointerId).x = event.clientX;
    move();
  });
  for (const end of ["pointerup", "pointercancel"]) {
    area.addEventListener(end, (event) => {
      if (!fingers.delete(event.pointerId)) return;
      const { moved } = began;
      start();
      if (!fingers.size && moved) settle();
    });
  }
}
