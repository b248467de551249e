// Elements without markup: names from files are only ever text.

const SVG = "http://www.w3.org/2000/svg";

export const find = (id) => document.getElementById(id);

export function make(tag, properties = {}, ...children) {
  return fill(document.createElement(tag), properties, children);
}

export function draw(tag, properties = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), properties, children);
}

function fill(element, properties, children) {
  for (const [name, value] of Object.entries(properties)) {
    if (value === undefined || value === null) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

export function say(text, bad = false) {
  const line = find("message");
  line.textContent = text;
  line.classList.toggle("bad", bad);
}

// Follow a drag from a pointer-down event to its end; `move` and `done` get pointer events.
export function followDrag(event, move, done) {
  event.preventDefault();
  const target = event.currentTarget;
  target.setPointerCapture(event.pointerId);
  const stop = (last) => {
    target.removeEventListener("pointermove", move);
    target.removeEventListener("pointerup", stop);
    target.removeEventListener("pointercancel", stop);
    done?.(last);
  };
  target.addEventListener("pointermove", move);
  target.addEventListener("pointerup", stop);
  target.addEventListener("pointercancel", stop);
}
