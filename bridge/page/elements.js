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

const texts = new WeakMap();

// Writes a text where it is another than before; what stands there is not read back.
export function put(node, text) {
  if (texts.get(node) === text) return;
  texts.set(node, text);
  node.textContent = text;
}

// A canvas that is as sharp as its screen, and no larger than what is drawn on it. What seldom changes is drawn once on
// a second one that is never shown, and copied from there.
export class Drawing {
  constructor(label, repaint) {
    this.repaint = repaint;
    this.canvas = element("canvas", { role: "img", "aria-label": label });
    // Without transparency: what lies under it need not be looked at.
    this.context = this.canvas.getContext("2d", { alpha: false });
    this.base = document.createElement("canvas");
    this.baseContext = this.base.getContext("2d", { alpha: false });
    this.baseKey = "";
    this.width = this.height = 0;
    new ResizeObserver(() => this.fit()).observe(this.canvas);
  }

  fit() {
    this.ratio = Math.min(devicePixelRatio || 1, 2);
    this.width = this.canvas.clientWidth;
    this.height = this.canvas.clientHeight;
    for (const canvas of [this.canvas, this.base]) {
      canvas.width = Math.max(1, Math.round(this.width * this.ratio));
      canvas.height = Math.max(1, Math.round(this.height * this.ratio));
    }
    for (const context of [this.context, this.baseContext]) context.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    this.baseKey = "";
    this.repaint();
  }

  get hasRoom() {
    return this.width > 0 && this.height > 0;
  }

  // Draws the base anew when it is for something else than before; returns whether it did.
  hasNewBase(key, draw) {
    if (key === this.baseKey) return false;
    this.baseKey = key;
    const { baseContext: context } = this;
    context.fillStyle = palette().ground;
    context.fillRect(0, 0, this.width, this.height);
    draw(context);
    return true;
  }

  // Copies the base, or a part of it over its whole height, pixel by pixel.
  copyBase(left = 0, width = this.width) {
    const from = Math.round(left * this.ratio);
    const wide = Math.min(this.base.width, Math.round((left + width) * this.ratio)) - from;
    if (wide <= 0) return;
    const { context } = this;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.drawImage(this.base, from, 0, wide, this.base.height, from, 0, wide, this.base.height);
    context.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
  }
}

let colours = null;
let themes = 0;

// The colours of the theme, for what is drawn; ``theme`` tells one from the other.
export function palette() {
  if (!colours) {
    const style = getComputedStyle(document.documentElement);
    const names = ["ground", "raised", "edge", "ink", "faint", "high", "low", "zone", "alert", "on-alert"];
    colours = Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
    colours.theme = themes;
  }
  return colours;
}

export function forgetPalette() {
  colours = null;
  themes++;
}
