// What a track reads, as it is shown: its deviation from the target; in a bias step, which has no target, from its own
// peak.

import { signOf } from "./scale.js";

export function isBias(step) {
  return step.adjustment === "bias";
}

// Returns { db, sign, isFine }: sign is "high", "low" or "right"; "unsure" of what reads within the tolerance and is not
// judged so yet: no hand has to turn it, and it is not on target; "peak" where there is no target to be off; "none" where
// there is nothing to read.
export function shownOf(app, frame, track) {
  const isFine = Number.isFinite(track.fine);
  if (isBias(frame.step)) {
    const peak = app.trails.peakOf(track.number);
    const db = isFine && Number.isFinite(peak) ? track.fine - peak : NaN;
    return { db, sign: Number.isNaN(db) ? "none" : "peak", isFine };
  }
  const db = isFine ? track.fine : track.state === "quiet" ? NaN : track.deviation;
  // The daemon judges, so that all who show it say the same, and no verdict flickers at the edge of the tolerance.
  const isRight = right.of(frame.step.right_tracks).has(track.number);
  const side = signOf(db, toleranceOf(frame.step));
  const sign = isRight && side !== "none" ? "right" : side === "right" ? "unsure" : side;
  return { db, sign, isFine };
}

const OTHER_TONE = 0.03; // as in the daemon: a tone this far from the step's is another one

// Which tone plays: "none", "wanted" by the step, or "other": that says nothing of the step's trimmers. What is wanted is
// shown at once; anything else must stand, as a sweep and speech do not, before it is called a tone.
export function toneOf(frame) {
  const { hz, stands } = frame.tone;
  const wanted = frame.step.tone_hz;
  if (!(hz > 0)) return "none";
  if (!(wanted > 0) || Math.abs(hz - wanted) <= OTHER_TONE * wanted) return "wanted";
  return stands ? "other" : "none";
}

export function toleranceOf(step) {
  return step.tolerance_db || 0.1;
}

// "3, 9-16" → a set of numbers; the text comes with every frame and seldom changes.
export class TrackList {
  constructor() {
    this.text = null;
    this.numbers = new Set();
  }

  of(text) {
    if (text === this.text) return this.numbers;
    this.text = text;
    this.numbers = new Set();
    for (const part of (text ?? "").split(",")) {
      const [first, last] = part.split("-").map(Number);
      if (first > 0) for (let number = first; number <= (last || first) && number <= 999; number++) this.numbers.add(number);
    }
    return this.numbers;
  }
}

const right = new TrackList(); // those that are within the tolerance
