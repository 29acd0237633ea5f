// All tracks of the bank as deviations around one line, with their spread; what is logged, and which comes next.

import { isBias, shownOf, toleranceOf } from "../deviation.js";
import { Drawing, element, palette } from "../elements.js";
import { decimalsOf, levelText, placeOf } from "../scale.js";
import { colourOf, hourglass, line, mark, uncertaintyBar } from "./marks.js";

const FITS_NUMBER = 22; // narrower columns show every fourth number, and that of the focus
const SMALLEST_PX = 15; // below this what stands under a track is no longer read: there its sign alone stands, large
const SMALLEST_SHARE = 0.018; // the same as a share of the screen: a large one is looked at from farther away
const DESCRIBED_MS = 2000;
const WAITS = "waits";
const GLASS = 0.95; // room for its sign before the word, as a share of the letters

export class Tracks {
  constructor(app) {
    this.app = app;
    this.drawing = new Drawing("All tracks of the bank around their target", () => app.repaint());
    this.element = element(
      "section",
      { class: "part tracks", "aria-label": "All tracks", onclick: (event) => this.tapped(event) },
      this.drawing.canvas,
    );
    this.numbers = [];
    this.drawn = [];
    this.describedMs = -Infinity;
  }

  // A column that is too narrow for a finger opens the choice of tracks.
  tapped(event) {
    const width = this.drawing.width / Math.max(1, this.numbers.length);
    const place = Math.floor((event.clientX - this.drawing.canvas.getBoundingClientRect().left) / width);
    const track = this.numbers[place];
    if (width >= this.app.touch && track) this.app.commands.focus(track);
    else this.app.commands.choose("track");
  }

  paint(frame, focused, nowMs) {
    const { drawing } = this;
    if (!drawing.hasRoom) return;
    const { width, height } = drawing;
    const colours = palette();
    const tolerance = toleranceOf(frame.step);
    const { tracks } = frame;
    const focus = focused.number;
    const column = width / Math.max(1, tracks.length);
    const size = Math.min(height * 0.15, column * 0.52, 46);
    const foot = size * 2.5;
    const top = size * 0.6;
    const half = (height - foot - top) / 2;
    const y = (db) => top + half - placeOf(db, tolerance) * half;
    const place = { column, size, foot, y, height, width };
    this.findDecimals(tracks);
    const feet = tracks.map((track) => this.footOf(frame, track)).join();
    const key = `${width} ${height} ${tolerance} ${frame.step.uncertainty_db} ${frame.step.adjustment} ${focus} ${colours.theme} ${feet}`;
    const isNew = drawing.hasNewBase(key, (base) => this.drawBase(base, frame, focus, place, colours));
    if (isNew) {
      this.numbers = tracks.map((track) => track.number);
      this.drawn = [];
      drawing.copyBase();
    }
    tracks.forEach((track, at) => this.paintTrack(frame, track, at, place, colours));
    if (nowMs - this.describedMs > DESCRIBED_MS) {
      this.describedMs = nowMs;
      drawing.canvas.setAttribute("aria-label", described(this.app, frame));
    }
  }

  // Side by side all have as many decimals as each of them carries.
  findDecimals(tracks) {
    const logged = tracks.map(({ number }) => this.app.trimOf(number)).filter(Boolean);
    this.decimals = Math.min(2, ...logged.map((trim) => decimalsOf(trim.resolution_db)));
  }

  // What stands under a track: "clip", what it was left at, that it is right and waits to be logged, "next", "turned"
  // since it was logged, or nothing yet.
  footOf(frame, track) {
    const { number, state } = track;
    if (state === "clipped") return `${number} clip`;
    const logged = this.app.trimOf(number);
    const isOpen = this.app.openTracks.has(number);
    if (logged && !isOpen) {
      const left = levelText(logged.as_left_db, logged.resolution_db, this.decimals);
      return `${number} ${logged.within_tolerance === false ? "!" : "✓"} ${left}`;
    }
    if (isOpen && this.app.waitingTracks.has(number)) return `${number} ${WAITS}`;
    if (number === this.app.nextTrack) return `${number} next`;
    return logged ? `${number} turned` : `${number} –`;
  }

  drawBase(context, frame, focus, place, colours) {
    const { column, size, foot, y, height, width } = place;
    const tolerance = toleranceOf(frame.step);
    const hasZone = !isBias(frame.step);
    const drawZone = (left, wide) => {
      context.fillStyle = colours.zone;
      if (hasZone) context.fillRect(left, y(tolerance), wide, y(-tolerance) - y(tolerance));
    };
    drawZone(0, width);
    const at = frame.tracks.findIndex((track) => track.number === focus);
    context.fillStyle = colours.raised;
    context.fillRect(at * column + 1, 0, column - 2, height - foot);
    drawZone(at * column + 1, column - 2);
    context.strokeStyle = colours.ink;
    context.lineWidth = 2.5;
    line(context, 0, y(0), width, y(0));
    if (hasZone) uncertaintyBar(context, Math.max(4, column * 0.06), y, frame.step.uncertainty_db, Math.max(3, column * 0.04), colours.ink);
    const feet = frame.tracks.map((track) => this.footOf(frame, track).slice(`${track.number} `.length));
    // All of one size, as large as the widest lets them be.
    const most = Math.min(size * 0.72, 30);
    context.font = `650 ${most}px system-ui, sans-serif`;
    const widest = Math.max(...feet.map((words) => context.measureText(words).width + (words === WAITS ? most * GLASS : 0)));
    const small = most * Math.min(1, (column * 0.92) / widest);
    frame.tracks.forEach((track, at) => {
      const x = (at + 0.5) * column;
      this.drawNumber(context, track, x, place, colours, track.number === focus);
      this.drawFoot(context, feet[at], x, small, place, colours);
    });
  }

  paintTrack(frame, track, at, { column, size, y }, colours) {
    const { context } = this.drawing;
    const { db, sign } = shownOf(this.app, frame, track);
    const level = y(Number.isNaN(db) ? 0 : db);
    const [from, to] = Number.isFinite(track.spread) ? [y(db + track.spread), y(db - track.spread)] : [level, level];
    const isMoving = track.state === "moving" || track.state === "settling";
    // To half a pixel: what moves less is not seen, and need not be drawn.
    const look = `${sign} ${Math.round(level * 2)} ${Math.round(from * 2)} ${Math.round(to * 2)} ${isMoving}`;
    if (look === this.drawn[at]) return;
    if (this.drawn[at] !== undefined) this.drawing.copyBase(at * column, column);
    this.drawn[at] = look;
    const x = (at + 0.5) * column;
    if (sign === "none") {
      context.strokeStyle = colours.faint;
      context.fillStyle = colours.ground;
      context.lineWidth = 2;
      context.beginPath();
      context.arc(x, level, size * 0.3, 0, 2 * Math.PI);
      context.fill();
      return void context.stroke();
    }
    context.fillStyle = colourOf(sign, colours);
    context.strokeStyle = context.fillStyle;
    const half = Math.min(size * 0.52, column * 0.32);
    context.lineWidth = Math.max(1.5, size * 0.07);
    line(context, x, y(0), x, level);
    context.lineWidth = Math.max(2, size * 0.14);
    line(context, x, from, x, to);
    if (isMoving) {
      context.lineWidth = Math.min(3, column * 0.08);
      context.strokeRect(x - half * 1.4, level - half * 1.4, half * 2.8, half * 2.8);
    }
    mark(context, sign, x, level, half);
  }

  drawNumber(context, track, x, { column, size, height, width }, colours, isFocus) {
    const high = height - size * 1.75;
    const isNarrow = column < FITS_NUMBER;
    context.textAlign = "center";
    context.textBaseline = "middle";
    if (isFocus) {
      const half = isNarrow ? 11 : Math.min(column * 0.48, size * 1.25);
      const tall = Math.max(size * 1.2, isNarrow ? 16 : 0);
      context.fillStyle = colours.alert;
      context.fillRect(x - half, high - tall * 0.52, half * 2, tall);
    }
    context.fillStyle = isFocus ? colours["on-alert"] : colours.ink;
    context.font = `750 ${isNarrow ? 14 : size}px system-ui, sans-serif`;
    if (!isNarrow || isFocus || track.number % 4 === 0) {
      const aside = context.measureText(String(track.number)).width / 2 + 1;
      context.fillText(String(track.number), Math.max(aside, Math.min(width - aside, x)), high + size * 0.04);
    }
  }

  // Under the number what the log says: as left, or what is still to be done.
  drawFoot(context, words, x, small, { column, size, height }, colours) {
    const low = height - size * 0.55;
    const [sign] = words;
    context.fillStyle = colours.ink;
    context.strokeStyle = colours.faint;
    context.lineWidth = 2;
    if (words === "–") return void line(context, x - size * 0.2, low, x + size * 0.2, low);
    if (small >= Math.max(SMALLEST_PX, SMALLEST_SHARE * Math.min(innerWidth, innerHeight))) {
      if (words === "clip") {
        context.fillStyle = colours.alert;
        context.fillRect(x - column * 0.47, low - small * 0.65, column * 0.94, small * 1.3);
        context.fillStyle = colours["on-alert"];
      }
      context.font = `650 ${small}px system-ui, sans-serif`;
      if (words !== WAITS) return void context.fillText(words, x, low);
      const half = (context.measureText(WAITS).width + small * GLASS) / 2;
      hourglass(context, x - half + small * 0.35, low, small * 0.7);
      return void context.fillText(WAITS, x + (small * GLASS) / 2, low);
    }
    const tiny = Math.min(size * 0.8, column * 0.5);
    if (words === "next") {
      context.beginPath();
      context.moveTo(x, low - tiny * 0.4);
      context.lineTo(x - tiny * 0.5, low + tiny * 0.45);
      context.lineTo(x + tiny * 0.5, low + tiny * 0.45);
      return void context.fill();
    }
    if (words === WAITS) return void hourglass(context, x, low, tiny);
    context.font = `800 ${Math.max(10, tiny)}px system-ui, sans-serif`;
    context.fillText(words === "clip" ? "⚠" : words === "turned" ? "○" : sign, x, low);
  }
}

function described(app, frame) {
  const { ways, states } = app.setup.words;
  const wordOf = (track) => {
    if (isBias(frame.step)) {
      const { db } = shownOf(app, frame, track);
      return Number.isNaN(db) ? states.quiet : `${Math.abs(db).toFixed(1)} dB under its peak`;
    }
    const word = ways[shownOf(app, frame, track).sign]?.said ?? states.quiet;
    return app.openTracks.has(track.number) && app.waitingTracks.has(track.number) ? `${word}, waits to be logged` : word;
  };
  return `All tracks. ${frame.tracks.map((track) => `${track.number} ${wordOf(track)}`).join(", ")}`;
}
