// The track in focus: how far off, which way to turn, what it is doing.

import { shownOf, toneOf } from "../deviation.js";
import { drawn } from "../figures.js";
import { element, put, svg } from "../elements.js";
import { hzText, textOf } from "../scale.js";

const STEADY_DB = 0.007; // what the last figure may wander before it is written anew
const REST_MS = 400;
const AT_PEAK_DB = 0.1; // the spread of a steady tone; nearer than that nobody can tell

export class Figure {
  constructor(app) {
    this.app = app;
    this.path = svg("path", { class: "stroke" });
    this.dots = svg("g");
    this.picture = svg("svg", { "aria-hidden": "true" }, this.path, this.dots);
    this.number = element("div", { class: "number" }, this.picture);
    this.shape = svg("svg", { class: "shape", viewBox: "-50 -50 100 100", "aria-hidden": "true" });
    this.trackNumber = element("b");
    this.state = element("span", { class: "state" });
    this.track = element("div", { class: "track" }, element("small", {}, "track "), this.trackNumber, this.state);
    this.unit = element("span", { class: "unit" }, "dB");
    this.unit.hidden = true; // until there is a figure
    this.way = element("span", { class: "way" });
    this.needle = element("span", { class: "needle" });
    this.element = element(
      "section",
      { class: "part figure", "aria-label": "Track in focus" },
      this.track,
      this.number,
      this.shape,
      element("div", { class: "words" }, element("span", { class: "said" }, this.unit, " ", this.way), this.needle),
    );
    this.shown = { track: 0, db: NaN, ms: 0 };
    this.drawnAs = "";
    new ResizeObserver(() => {
      this.box = [this.number.clientWidth, this.number.clientHeight];
      this.drawnAs = "";
      app.repaint();
    }).observe(this.number);
  }

  paint(frame, track, nowMs) {
    const hasTone = track.state !== "quiet";
    const { db, sign, isFine } = shownOf(this.app, frame, track);
    const shown = this.shown;
    const text = this.textFor(track.number, db, isFine, nowMs);
    put(this.trackNumber, String(track.number));
    // While it is held nothing that a track does is logged: that is said where a track's state stands, in its place.
    const isHeld = Boolean(frame.hold.on);
    const { words } = this.app.setup;
    put(this.state, isHeld && track.state !== "clipped" ? "held" : words.states[track.state] ?? track.state);
    const isOther = toneOf(frame) === "other";
    put(this.way, isHeld ? words.held : isOther ? `wrong tone: wants ${hzText(frame.step.tone_hz)}` : wayOf(words.ways, sign, shown.db));
    put(this.needle, `needle ${vuText(track.vu)}${hasTone ? ` · spread ${spreadText(track.spread)}` : ""}`);
    const look = `${track.state === "clipped"} ${isHeld} ${isOther}`;
    if (look !== this.look) {
      this.state.classList.toggle("notice", isHeld || track.state === "clipped");
      this.way.classList.toggle("notice", isHeld || isOther);
    }
    this.look = look;
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
    const figure = drawn(text, width, height * 0.96);
    const hue = sign === "high" || sign === "low" ? sign : "";
    this.picture.setAttribute("class", hue);
    this.path.setAttribute("d", figure.path);
    this.path.setAttribute("stroke-width", figure.stroke);
    const left = Math.max(0, Math.min((width - figure.width) / 2, figure.height * 0.1));
    for (const part of [this.path, this.dots])
      part.setAttribute("transform", `translate(${left} ${(height - figure.height) / 2})`);
    this.dots.replaceChildren(...figure.dots.map(([cx, cy, r]) => svg("circle", { cx, cy, r })));
    this.shape.setAttribute("class", `shape ${hue}`);
    this.shape.replaceChildren(...signShape(sign));
    this.unit.hidden = !text;
    this.number.dataset.height = text ? figure.height.toFixed(1) : 0;
    this.number.dataset.text = text;
    this.number.dataset.sign = sign;
  }
}

// The same picture as everywhere: two lines are the tolerance, and a wedge points to them from where the track is.
function signShape(sign) {
  if (sign === "none") return [];
  const lines = (one, other) => svg("path", { class: "stroke", "stroke-width": 9, d: `M-42 ${one}H42M-42 ${other}H42` });
  if (sign === "peak") return [svg("path", { class: "stroke", "stroke-width": 9, d: "M-42 36C-24 36 -22 -34 0 -34S24 36 42 36" })];
  if (sign === "right") return [lines(-34, 34), svg("path", { class: "solid", d: "M0 -22L22 0L0 22L-22 0Z" })];
  if (sign === "unsure") return [lines(-34, 34), svg("path", { class: "stroke", "stroke-width": 14, d: "M-24 0H24" })];
  const down = sign === "high" ? 1 : -1;
  return [svg("path", { class: "solid", d: `M0 ${down * 14}L-40 ${down * -46}H40Z` }), lines(down * 24, down * 43)];
}

function wayOf(ways, sign, db) {
  if (sign === "none") return "";
  // More bias raises the level up to its peak and lowers it beyond: what counts is how far it is from there.
  if (sign === "peak") return db > -AT_PEAK_DB ? "at its peak so far" : "from its peak";
  return sign === "right" ? ways.right.said : `${ways[sign].said} · ${ways[sign].turn}`;
}

function spreadText(spread) {
  return Number.isFinite(spread) ? `± ${spread.toFixed(2)}` : "± …";
}

function vuText(vu) {
  return vu < -60 ? "at rest" : `${textOf(vu, 1)} VU`;
}
