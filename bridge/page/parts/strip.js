// The last seconds of the track in focus around its target: overshoot and creep are seen here.

import { isBias, shownOf, toleranceOf } from "../deviation.js";
import { Drawing, element, palette } from "../elements.js";
import { marksOf, placeOf } from "../scale.js";
import { colourOf, line, mark, uncertaintyBar } from "./marks.js";

const SECONDS = 12;
const SAYS_HELD_PX = 100; // a lower one would be covered; the figure above it says it large

export class Strip {
  constructor(app) {
    this.app = app;
    this.drawing = new Drawing("The last twelve seconds of the track in focus around its target", () => app.repaint());
    this.element = element("section", { class: "part strip", "aria-label": "Last seconds" }, this.drawing.canvas);
    this.track = 0;
  }

  paint(frame, track) {
    const { drawing } = this;
    if (!drawing.hasRoom) return;
    this.track = track.number;
    const { width, height, context } = drawing;
    const colours = palette();
    const tolerance = toleranceOf(frame.step);
    const hasZone = !isBias(frame.step);
    const uncertainty = hasZone ? frame.step.uncertainty_db : 0;
    const margin = Math.max(6, height * 0.05);
    const half = height / 2 - margin;
    const y = (db) => height / 2 - placeOf(db, tolerance) * half;
    const size = Math.max(13, Math.min(22, height * 0.075));
    const saysHeld = frame.hold.on && height > SAYS_HELD_PX;
    drawing.hasNewBase(`${width} ${height} ${tolerance} ${uncertainty} ${hasZone} ${saysHeld} ${colours.theme}`, (base) => {
      base.font = `600 ${size}px system-ui, sans-serif`;
      this.right = width - size * 0.5 - Math.max(...marksOf(tolerance).map((db) => base.measureText(`−${db}`).width));
      drawZone(base, this.right, y, hasZone ? tolerance : 0, colours);
      drawMarks(base, this.right, y, tolerance, colours, size);
      uncertaintyBar(base, size * 0.8, y, uncertainty, size * 0.4, colours.ink);
      // The mark of now goes on beside it.
      this.bottom = saysHeld ? height - drawHeld(base, this.app.setup.words.held, this.right - size * 2.6, height, colours) : height;
    });
    drawing.copyBase();
    const now = this.right - size * 1.4;
    const shown = shownOf(this.app, frame, track);
    const from = hasZone ? 0 : this.app.trails.peakOf(track.number);
    this.drawTrail(context, frame.seconds, now, (db) => y(db - from), colours.ink, Math.max(3, height * 0.016));
    if (shown.isFine && shown.sign !== "none") drawNow(context, now, y, shown, track.spread, colours, Math.max(8, height * 0.045));
  }

  drawTrail(context, seconds, now, y, colour, thickness) {
    const scale = now / SECONDS;
    const { bottom } = this;
    context.lineWidth = thickness;
    context.lineJoin = "bevel";
    context.strokeStyle = colour;
    context.beginPath();
    let isDown = false;
    this.app.trails.each(this.track, seconds, (age, db) => {
      if (age > SECONDS || age < 0 || Number.isNaN(db)) return void (isDown = false);
      const x = now - age * scale;
      const high = Math.min(bottom, y(db));
      if (isDown) context.lineTo(x, high);
      else context.moveTo(x, high);
      isDown = true;
    });
    context.stroke();
  }
}

function drawZone(context, right, y, tolerance, colours) {
  if (tolerance) {
    context.fillStyle = colours.zone;
    context.fillRect(0, y(tolerance), right, y(-tolerance) - y(tolerance));
    context.lineWidth = 1.5;
    context.strokeStyle = colours.faint;
    line(context, 0, y(tolerance), right, y(tolerance));
    line(context, 0, y(-tolerance), right, y(-tolerance));
  }
  context.strokeStyle = colours.ink;
  context.lineWidth = 3;
  line(context, 0, y(0), right, y(0));
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
    // The two labels of the narrowest pair must not touch each other.
    if (y(-db) - y(db) < size * 1.05) continue;
    last = y(db);
    context.fillStyle = colours.faint;
    context.fillText(`+${db}`, left + size * 0.35, y(db));
    context.fillText(`−${db}`, left + size * 0.35, y(-db));
  }
}

// Across the foot of the strip, as large as its width lets it be; returns how high it is.
function drawHeld(context, words, width, height, colours) {
  const most = Math.min(height * 0.22, 56);
  context.font = `750 ${most}px system-ui, sans-serif`;
  const size = most * Math.min(1, (width * 0.92) / context.measureText(words).width);
  context.fillStyle = colours.alert;
  context.fillRect(0, height - size * 1.4, width, size * 1.4);
  context.fillStyle = colours["on-alert"];
  context.font = `750 ${size}px system-ui, sans-serif`;
  context.textAlign = "center";
  context.textBaseline = "middle";
  context.fillText(words, width / 2, height - size * 0.68);
  return size * 1.4;
}

function drawNow(context, x, y, { db, sign }, spread, colours, size) {
  context.fillStyle = colourOf(sign, colours);
  context.strokeStyle = context.fillStyle;
  if (Number.isFinite(spread)) {
    context.lineWidth = Math.max(3, size * 0.3);
    line(context, x, y(db + spread), x, y(db - spread));
  }
  mark(context, sign, x, y(db), size);
}
