// The track in focus: how far off, which way to turn, what it is doing.

import { drawn } from "../figures.js";
import { element, svg } from "../elements.js";
import { signOf, textOf } from "../scale.js";

const STATES = {
  quiet: "no tone",
  tone: "tone",
  moving: "turning",
  settling: "settling",
  settled: "settled",
  clipped: "clipping",
};
const STEADY_DB = 0.007; // what the last figure may wander before it is written anew
const REST_MS = 400;

export class Figure {
  constructor(app) {
    this.app = app;
    this.path = svg("path", { class: "stroke" });
    this.dots = svg("g");
    this.sign = svg("g");
    this.unit = svg("text", { class: "unit" });
    this.unit.textContent = "dB";
    this.picture = svg("svg", { "aria-hidden": "true" }, this.path, this.dots, this.sign, this.unit);
    this.number = element("div", { class: "number" }, this.picture);
    this.trackNumber = element("b");
    this.state = element("span", { class: "state" });
    this.track = element(
      "button",
      { class: "track", onclick: () => app.commands.choose("track") },
      element("small", {}, "track "),
      this.trackNumber,
      this.state,
    );
    this.way = element("span", { class: "way" });
    this.needle = element("span", { class: "needle" });
    this.element = element(
      "section",
      { class: "part figure", "aria-label": "Track in focus" },
      this.track,
      this.number,
      element("div", { class: "words" }, this.way, this.needle),
    );
    this.shown = { track: 0, db: NaN, ms: 0 };
    this.drawnAs = "";
    new ResizeObserver(() => {
      this.box = [this.number.clientWidth, this.number.clientHeight];
      this.drawnAs = "";
    }).observe(this.number);
  }

  paint(frame, track, nowMs) {
    const tolerance = frame.step.tolerance_db || 0;
    const isFine = Number.isFinite(track.fine);
    const hasTone = track.state !== "quiet";
    const db = isFine ? track.fine : hasTone ? track.deviation : NaN;
    const sign = hasTone || isFine ? signOf(db, tolerance) : "none";
    const shown = this.shown;
    const text = this.textFor(track.number, db, isFine, nowMs);
    put(this.trackNumber, String(track.number));
    put(this.state, STATES[track.state] ?? track.state);
    put(this.way, wayOf(sign, frame.step.adjustment));
    put(this.needle, hasTone ? `needle ${textOf(track.deviation, 1)} · ${spreadText(track.spread)}` : `needle ${vuText(track.vu)}`);
    this.state.classList.toggle("notice", track.state === "clipped");
    const key = `${text} ${sign} ${this.box}`;
    if (key !== this.drawnAs) this.draw(text, sign, key);
    shown.track = track.number;
  }

  // Noise must not make the last figure flicker; a turn of the hand must show at once.
  textFor(track, db, isFine, nowMs) {
    const shown = this.shown;
    const isOther = track !== shown.track || Number.isNaN(db) !== Number.isNaN(shown.db);
    if (isOther || Math.abs(db - shown.db) > STEADY_DB || nowMs - shown.ms > REST_MS) {
      shown.db = db;
      shown.ms = nowMs;
    }
    return Number.isNaN(shown.db) ? "" : textOf(shown.db, isFine ? 2 : 1);
  }

  draw(text, sign, key) {
    if (!this.box) return;
    this.drawnAs = key;
    const [width, height] = this.box;
    const glyph = Math.min(height * 0.62, width * 0.17);
    const isUpright = width < height * 2.2;
    const room = width - glyph * 1.35;
    const figure = drawn(text, room, height * 0.94);
    this.picture.setAttribute("class", sign === "high" || sign === "low" ? sign : "");
    this.path.setAttribute("d", figure.path);
    this.path.setAttribute("stroke-width", figure.stroke);
    const top = (height - figure.height) / 2;
    for (const part of [this.path, this.dots]) part.setAttribute("transform", `translate(0 ${top})`);
    this.dots.replaceChildren(...figure.dots.map(([cx, cy, r]) => svg("circle", { cx, cy, r })));
    const x = isUpright ? width - glyph * 0.55 : Math.min(width - glyph * 0.55, figure.width + glyph * 0.85);
    this.sign.replaceChildren(...signShape(sign, x, height / 2, glyph));
    const size = Math.max(16, figure.height * 0.16);
    this.unit.setAttribute("x", x - size * 0.62);
    this.unit.setAttribute("y", top + figure.height);
    this.unit.setAttribute("font-size", size);
    this.unit.setAttribute("visibility", text ? "visible" : "hidden");
    this.number.dataset.height = Math.round(text ? figure.height : 0);
    this.number.dataset.text = text;
    this.number.dataset.sign = sign;
  }
}

// The same picture as everywhere: two lines are the tolerance, and a wedge points to them from where the track is.
function signShape(sign, x, y, size) {
  if (sign === "none") return [];
  const half = size * 0.42;
  const stroke = size * 0.1;
  const lines = (at) =>
    svg("path", { class: "stroke", "stroke-width": stroke, d: `M${x - half} ${at - stroke}H${x + half}M${x - half} ${at + stroke}H${x + half}` });
  if (sign === "right") {
    const gap = size * 0.3;
    return [
      svg("path", {
        class: "stroke",
        "stroke-width": stroke,
        d: `M${x - half} ${y - gap}H${x + half}M${x - half} ${y + gap}H${x + half}`,
      }),
      svg("path", { class: "solid", d: `M${x} ${y - gap * 0.62}l${gap * 0.62} ${gap * 0.62}l${-gap * 0.62} ${gap * 0.62}l${-gap * 0.62} ${-gap * 0.62}z` }),
    ];
  }
  const down = sign === "high" ? 1 : -1;
  const tip = y + down * size * 0.22;
  const wedge = svg("path", { class: "solid", d: `M${x} ${tip}L${x - half} ${tip - down * size * 0.62}H${x + half}Z` });
  return [wedge, lines(y + down * size * 0.42)];
}

function wayOf(sign, adjustment) {
  if (sign === "none") return "";
  if (sign === "right") return "right";
  const word = sign === "high" ? "too high" : "too low";
  // More bias lowers the level beyond its peak and raises it before: there the way cannot be told from the level.
  if (adjustment === "bias") return word;
  return `${word} · turn ${sign === "high" ? "down" : "up"}`;
}

function spreadText(spread) {
  return Number.isFinite(spread) ? `± ${spread.toFixed(2)}` : "± …";
}

function vuText(vu) {
  return vu < -60 ? "at rest" : `${textOf(vu, 1)} VU`;
}

export function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}
