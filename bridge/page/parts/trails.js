// The last seconds of all tracks, and the highest that each has read in this step; in memory that does not grow.

const POINTS = 512; // of each track: 12 s and more at 30 a second; a screen shows no finer
const APART_S = 1 / 31;

export class Trails {
  constructor() {
    this.byTrack = new Map();
    this.step = "";
    this.lastSeconds = -Infinity;
  }

  forget() {
    this.byTrack.clear();
  }

  add(frame) {
    const step = `${frame.step.number} ${frame.bank.number}`;
    if (step !== this.step) {
      this.step = step;
      this.byTrack.clear();
    }
    const { seconds } = frame;
    const isKept = seconds - this.lastSeconds >= APART_S || seconds < this.lastSeconds;
    if (isKept) this.lastSeconds = seconds;
    for (const { number, fine } of frame.tracks) {
      const trail = this.byTrack.get(number) ?? this.begun(number);
      if (fine > trail.peak) trail.peak = fine;
      if (!isKept) continue;
      const place = trail.count++ % POINTS;
      trail.seconds[place] = seconds;
      trail.db[place] = fine;
    }
  }

  begun(number) {
    const trail = { seconds: new Float64Array(POINTS), db: new Float32Array(POINTS), count: 0, peak: -Infinity };
    this.byTrack.set(number, trail);
    return trail;
  }

  // Calls with age in seconds and deviation, the oldest first.
  each(track, seconds, call) {
    const trail = this.byTrack.get(track);
    if (!trail) return;
    for (let at = Math.max(0, trail.count - POINTS); at < trail.count; at++)
      call(seconds - trail.seconds[at % POINTS], trail.db[at % POINTS]);
  }

  peakOf(track) {
    return this.byTrack.get(track)?.peak ?? -Infinity;
  }
}
