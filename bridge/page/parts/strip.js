// The last seconds of the track in focus around its target: overshoot and creep are seen here.

import { Drawing, element, palette } from "../elements.js";
import { marksOf, placeOf, signOf } from "../scale.js";

const SECONDS = 12;
const POINTS = 1024; // of each track: 12 s at 80 frames a second

// The trails of all tracks, in memory that does not grow.
export class Trails {
  constructor() {
    this.byTrack = new Map();
    this.step = 0;
  }

  add(frame) {
    if (frame.step.number !== this.step) {
      this.step = frame.step.number;
      this.byTrack.clear();
    }
    for (const { number, fine } of frame.tracks) {
      let trail = this.byTrack.get(number);
      if (!trail) this.byTrack.set(number, (trail = { seconds: new Float64Array(POINTS), db: new Float32Array(POINTS), count: 0 }));
      trail.seconds[trail.count % POINTS] = frame.seconds;
      trail.db[trail.count % POINTS] = fine;
      trail.count++;
    }
  }

  of(track) {
    return this.byTrack.get(track);
  }
}

export class Strip {
  constructor(app) {
    this.app = app;
    this.drawing = new Drawing("The last twelve seconds of the track in focus around its target");
    this.element = element("section", { class: "part strip", "aria-label": "Last seconds" }, this.drawing.canvas);
  }

  paint(frame, track) {
    const context = this.drawing.cleared();
    if (!context) return;
    const { width, height } = this.drawing;
    const colours = palette();
    const tolerance = frame.step.tolerance_db || 0.1;
    const margin = Math.max(6, height * 0.05);
    const y = (db) => height / 2 - placeOf(db, tolerance) * (height / 2 - margin);
    const size = Math.max(13, Math.min(22, height * 0.075));
    context.font = `600 ${size}px system-ui, sans-serif`;
    const right = width - size * 0.5 - Math.max(...marksOf(tolerance).map((db) => context.measureText(`−${db}`).width));
    const now = right - size * 1.4;
    drawZone(context, 0, right, y, tolerance, colours);
    drawMarks(context, right, y, tolerance, colours, size);
    const trail = this.app.trails.of(track.number);
    if (trail) drawTrail(context, trail, frame.seconds, now, y, colours, Math.max(3, height * 0.016));
    if (Number.isFinite(track.fine)) drawNow(context, now, y, track, tolerance, colours, Math.max(8, height * 0.045));
  }
}

function drawZone(context, left, right, y, tolerance, colours) {
  context.fillStyle = colours.zone;
  context.fillRect(left, y(tolerance), right - left, y(-tolerance) - y(tolerance));
  context.strokeStyle = colours.ink;
  context.lineWidth = 3;
  line(context, left, y(0), right, y(0));
  context.lineWidth = 1.5;
  context.strokeStyle = colours.faint;
  line(context, left, y(tolerance), right, y(tolerance));
  line(context, left, y(-tolerance), right, y(-tolerance));
}

function drawMarks(context, left, y, tolerance, colours, size) {
  context.font = `600 ${size}px system-ui, sans-serif`;
  context.textBaseline = "middle";
  context.textAlign = "left";
  context.lineWidth = 1;
  context.strokeStyle = colours.edge;
  let last = Infinity;
  for (const db of marksOf(tolerance)) {
    if (db !== tolerance) {
      line(context, 0, y(db), left, y(db));
      line(context, 0, y(-db), left, y(-db));
    }
    if (last - y(db) < size * 1.05 || y(db) < size * 0.5) continue;
    last = y(db);
    context.fillStyle = colours.faint;
    context.fillText(`+${db}`, left + size * 0.35, y(db));
    context.fillText(`−${db}`, left + size * 0.35, y(-db));
  }
}

function drawTrail(context, trail, seconds, now, y, colours, thickness) {
  const scale = now / SECONDS;
  context.lineWidth = thickness;
  context.lineJoin = "round";
  context.strokeStyle = colours.ink;
  context.beginPath();
  let isDown = false;
  const first = Math.max(0, trail.count - POINTS);
  for (let at = first; at < trail.count; at++) {
    const age = seconds - trail.seconds[at % POINTS];
    const db = trail.db[at % POINTS];
    if (age > SECONDS || age < 0 || Number.isNaN(db)) {
      isDown = false;
      continue;
    }
    const x = now - age * scale;
    if (isDown) context.lineTo(x, y(db));
    else context.moveTo(x, y(db));
    isDown = true;
  }
  context.stroke();
}

function drawNow(context, x, y, track, tolerance, colours, size) {
  const sign = signOf(track.fine, tolerance);
  const at = y(track.fine);
  context.fillStyle = sign === "right" ? colours.ink : colours[sign];
  context.strokeStyle = context.fillStyle;
  if (Number.isFinite(track.spread)) {
    context.lineWidth = Math.max(3, size * 0.3);
    line(context, x, y(track.fine + track.spread), x, y(track.fine - track.spread));
  }
  mark(context, sign, x, at, size);
}

// A wedge that points to the target from outside the tolerance, a diamond within it.
export function mark(context, sign, x, y, size) {
  context.beginPath();
  if (sign === "right") {
    context.moveTo(x, y - size);
    context.lineTo(x + size, y);
    context.lineTo(x, y + size);
    context.lineTo(x - size, y);
  } else {
    const down = sign === "high" ? 1 : -1;
    context.moveTo(x, y + down * size * 0.9);
    context.lineTo(x - size, y - down * size * 0.8);
    context.lineTo(x + size, y - down * size * 0.8);
  }
  context.closePath();
  context.fill();
}

export function line(context, x1, y1, x2, y2) {
  context.beginPath();
  context.moveTo(x1, y1);
  context.lineTo(x2, y2);
  context.stroke();
}
