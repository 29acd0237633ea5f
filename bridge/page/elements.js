// Elements with their attributes and children, in one call.

const SVG = "http://www.w3.org/2000/svg";

export function element(name, attributes = {}, ...children) {
  return filled(document.createElement(name), attributes, children);
}

export function svg(name, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, name), attributes, children);
}

function filled(made, attributes, children) {
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (value === true) made.setAttribute(key, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(key, value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return made;
}

// A canvas that is as sharp as its screen; returns its context and size in CSS pixels, or null while it has none.
export class Drawing {
  constructor(label) {
    this.canvas = element("canvas", { role: "img", "aria-label": label });
    this.context = this.canvas.getContext("2d");
    this.width = this.height = 0;
    new ResizeObserver(() => {
      const ratio = Math.min(devicePixelRatio || 1, 2);
      this.width = this.canvas.clientWidth;
      this.height = this.canvas.clientHeight;
      this.canvas.width = Math.max(1, Math.round(this.width * ratio));
      this.canvas.height = Math.max(1, Math.round(this.height * ratio));
      this.context.setTransform(ratio, 0, 0, ratio, 0, 0);
    }).observe(this.canvas);
  }

  cleared() {
    if (!this.width || !this.height) return null;
    this.context.clearRect(0, 0, this.width, this.height);
    return this.context;
  }
}

let colours = null;

// The colours of the theme, for what is drawn.
export function palette() {
  if (!colours) {
    const style = getComputedStyle(document.documentElement);
    const names = ["ground", "raised", "edge", "ink", "faint", "high", "low", "zone", "alert", "on-alert"];
    colours = Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
  }
  return colours;
}

export function forgetPalette() {
  colours = null;
}
