// All tracks of the bank as deviations around one line, with their spread; what is logged, and which comes next.

import { Drawing, element, palette } from "../elements.js";
import { placeOf, signOf, textOf } from "../scale.js";
import { line, mark } from "./strip.js";

const FITS_NUMBER = 22; // narrower columns show every fourth number, and that of the focus
const NARROWEST = 60; // a column below this is no target for a finger: then a tap opens the choice of tracks

export class Tracks {
  constructor(app) {
    this.app = app;
    this.drawing = new Drawing("All tracks of the bank around their target");
    this.element = element(
      "section",
      { class: "part tracks", "aria-label": "All tracks", onclick: (event) => this.tapped(event) },
      this.drawing.canvas,
    );
    this.numbers = [];
    this.describedMs = 0;
  }

  tapped(event) {
    const width = this.drawing.width / Math.max(1, this.numbers.length);
    const place = Math.floor((event.clientX - this.drawing.canvas.getBoundingClientRect().left) / width);
    const track = this.numbers[place];
    if (width >= NARROWEST && track) this.app.commands.focus(track);
    else this.app.commands.choose("track");
  }

  paint(frame, focus, nowMs) {
    const context = this.drawing.cleared();
    if (!context) return;
    const { width, height } = this.drawing;
    const colours = palette();
    const tolerance = frame.step.tolerance_db || 0.1;
    const tracks = frame.tracks;
    this.numbers = tracks.map((track) => track.number);
    const column = width / Math.max(1, tracks.length);
    const size = Math.min(height * 0.15, column * 0.52, 46);
    const foot = size * 2.5;
    const top = size * 0.6;
    const middle = top + (height - foot - top) / 2;
    const y = (db) => middle - placeOf(db, tolerance) * ((height - foot - top) / 2);
    context.fillStyle = colours.zone;
    context.fillRect(0, y(tolerance), width, y(-tolerance) - y(tolerance));
    for (const [place, track] of tracks.entries())
      if (track.number === focus) {
        context.fillStyle = colours.raised;
        context.fillRect(place * column + 1, 0, column - 2, height - foot);
        context.fillStyle = colours.zone;
        context.fillRect(place * column + 1, y(tolerance), column - 2, y(-tolerance) - y(tolerance));
      }
    context.strokeStyle = colours.ink;
    context.lineWidth = 2.5;
    line(context, 0, y(0), width, y(0));
    const next = this.app.nextTrack;
    for (const [place, track] of tracks.entries())
      this.paintTrack(context, track, (place + 0.5) * column, column, size, y, height, colours, tolerance, track.number === focus, track.number === next);
    if (nowMs - this.describedMs > 2000) {
      this.describedMs = nowMs;
      this.drawing.canvas.setAttribute("aria-label", described(tracks, tolerance));
    }
  }

  paintTrack(context, track, x, column, size, y, height, colours, tolerance, isFocus, isNext) {
    const isFine = Number.isFinite(track.fine);
    const db = isFine ? track.fine : track.state === "quiet" ? NaN : track.deviation;
    const sign = signOf(db, tolerance);
    if (sign === "none") {
      context.strokeStyle = colours.faint;
      context.lineWidth = 2;
      context.beginPath();
      context.arc(x, y(0), size * 0.3, 0, 2 * Math.PI);
      context.fillStyle = colours.ground;
      context.fill();
      context.stroke();
    } else {
      context.fillStyle = sign === "right" ? colours.ink : colours[sign];
      context.strokeStyle = context.fillStyle;
      const half = Math.min(size * 0.52, column * 0.4);
      context.lineWidth = Math.max(1.5, size * 0.07);
      line(context, x, y(0), x, y(db));
      if (Number.isFinite(track.spread)) {
        context.lineWidth = Math.max(2, size * 0.14);
        const ends = [y(db + track.spread), y(db - track.spread)];
        line(context, x, ends[0], x, ends[1]);
      }
      if (track.state === "moving" || track.state === "settling") {
        context.lineWidth = 3;
        context.strokeRect(x - half * 1.45, y(db) - half * 1.45, half * 2.9, half * 2.9);
      }
      mark(context, sign, x, y(db), half);
    }
    this.paintFoot(context, track, x, column, size, height, colours, isFocus, isNext);
  }

  // The number; under it what the log says: as left, or what is still to be done.
  paintFoot(context, track, x, column, size, height, colours, isFocus, isNext) {
    const logged = this.app.trimOf(track.number);
    const high = height - size * 1.75;
    context.textAlign = "center";
    context.textBaseline = "middle";
    if (isFocus) {
      const half = column < FITS_NUMBER ? 11 : Math.min(column * 0.48, size * 1.25);
      context.fillStyle = colours.alert;
      const tall = Math.max(size * 1.2, column < FITS_NUMBER ? 16 : 0);
      context.fillRect(x - half, high - tall * 0.52, half * 2, tall);
    }
    context.fillStyle = isFocus ? colours["on-alert"] : colours.ink;
    const isNarrow = column < FITS_NUMBER;
    context.font = `750 ${isNarrow ? 14 : size}px system-ui, sans-serif`;
    if (!isNarrow || isFocus || track.number % 4 === 0) context.fillText(String(track.number), x, high + size * 0.04);
    const small = Math.min(size * 0.72, column * 0.3);
    const low = height - size * 0.55;
    if (track.state === "clipped") {
      const half = Math.min(column * 0.46, small * 1.5);
      context.fillStyle = colours.alert;
      context.fillRect(x - half, low - small * 0.6, half * 2, small * 1.2);
      context.fillStyle = colours["on-alert"];
      context.font = `700 ${small}px system-ui, sans-serif`;
      context.fillText("clip", x, low);
    } else if (logged) {
      context.fillStyle = colours.ink;
      if (column >= 70) {
        context.font = `600 ${small}px system-ui, sans-serif`;
        const text = logged.as_left_db === null ? "?" : textOf(logged.as_left_db);
        context.fillText(`${logged.within_tolerance ? "✓" : "!"} ${text}`, x, low);
      } else {
        context.font = `800 ${small * 1.2}px system-ui, sans-serif`;
        context.fillText(logged.within_tolerance ? "✓" : "!", x, low);
      }
    } else if (isNext) {
      context.fillStyle = colours.ink;
      if (column >= 50) {
        context.font = `700 ${small}px system-ui, sans-serif`;
        context.fillText("next", x, low);
      } else {
        context.beginPath();
        context.moveTo(x, low - small * 0.5);
        context.lineTo(x - small * 0.55, low + small * 0.45);
        context.lineTo(x + small * 0.55, low + small * 0.45);
        context.fill();
      }
    } else {
      context.strokeStyle = colours.faint;
      context.lineWidth = 2;
      line(context, x - small * 0.3, low, x + small * 0.3, low);
    }
  }
}

function described(tracks, tolerance) {
  const words = { high: "too high", low: "too low", right: "right", none: "no tone" };
  return `All tracks. ${tracks.map((track) => `${track.number} ${words[signOf(track.fine, tolerance)]}`).join(", ")}`;
}
