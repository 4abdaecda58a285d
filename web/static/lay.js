// Lays fresh HTML over the old, node by node, so that what is open, focused or scrolled stays so.
// Every part comes escaped from the box, made from the same template as the first view.

function lay(old, fresh) {
  if (old.nodeType !== fresh.nodeType || old.nodeName !== fresh.nodeName) {
    old.replaceWith(document.importNode(fresh, true));
  } else if (old.nodeType === Node.ELEMENT_NODE) {
    for (const { name } of [...old.attributes]) {
      if (name !== "open" && !fresh.hasAttribute(name)) old.removeAttribute(name);
    }
    for (const { name, value } of fresh.attributes) {
      if (name !== "open" && old.getAttribute(name) !== value) old.setAttribute(name, value);
    }
    layChildren(old, fresh);
  } else if (old.textContent !== fresh.textContent) {
    old.textContent = fresh.textContent;
  }
}

function layChildren(old, fresh) {
  [...fresh.childNodes].forEach((child, at) => {
    const there = old.childNodes[at] || null;
    // What has an id keeps its node wherever it moves, and with it whether it is open.
    const kept = child.id && [...old.children].find((element) => element.id === child.id);
    if (kept) {
      if (kept !== there) old.insertBefore(kept, there);
      lay(kept, child);
    } else if (there && !child.id && !there.id) {
      lay(there, child);
    } else {
      old.insertBefore(document.importNode(child, true), there);
    }
  });
  while (old.childNodes.length > fresh.childNodes.length) old.lastChild.remove();
}

let held = {}; // rows of the HTML of each part that came whole since the stream began

// The next stream sends whole what it changes rows of.
export function forgetParts() {
  held = {};
}

// parts: HTML by the name of its place. rows: of a part that came before, the rows that changed, as [number, HTML].
export function layParts(parts, rows = {}) {
  const fresh = { ...parts };
  for (const [name, changed] of Object.entries(rows)) {
    for (const [at, row] of changed) held[name][at] = row;
    fresh[name] = held[name].join("\n");
  }
  for (const [name, html] of Object.entries(fresh)) {
    if (name in parts) held[name] = html.split("\n");
    const place = document.querySelector(`[data-part="${name}"]`);
    if (place) layChildren(place, new DOMParser().parseFromString(html, "text/html").body);
  }
}
