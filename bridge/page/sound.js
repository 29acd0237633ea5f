// Sound, by choice: ticks that tell sign and size of the deviation, so that the eyes can stay on the trimmer.
// Too high ticks high, too low ticks low; the nearer, the quicker; within the tolerance a soft tone stands.

import { shownOf } from "./deviation.js";

const LOUDEST = 0.15; // of full scale: whoever turns the tablet up has still heard the loudest that comes
const PITCH_HZ = { high: 1320, low: 330, right: 660 };

export class Sound {
  constructor(app) {
    this.app = app;
    this.isOn = false;
    this.volume = 0.5;
    this.nextS = 0;
  }

  // Browsers let a page sound only after a touch.
  wake() {
    if (this.isOn && this.context?.state === "suspended") this.context.resume();
  }

  toggle() {
    this.isOn = !this.isOn;
    const Context = globalThis.AudioContext ?? globalThis.webkitAudioContext;
    if (this.isOn && !Context) {
      this.isOn = false;
      this.app.say("this browser makes no sound", true);
      return;
    }
    if (this.isOn) {
      this.context ??= new Context();
      this.context.resume();
    } else this.context?.suspend();
    this.app.say(this.isOn ? "sound is on" : "sound is off", false);
  }

  hear(frame, app) {
    if (!this.isOn || !this.context || app.trouble) return;
    const track = frame.tracks.find(({ number }) => number === app.focusTrack);
    const nowS = this.context.currentTime;
    if (!track || !Number.isFinite(track.fine) || nowS < this.nextS) return;
    const tolerance = frame.step.tolerance_db || 0.1;
    const { sign } = shownOf(app, frame, track);
    if (!(sign in PITCH_HZ)) return;
    const far = Math.min(1, Math.log2(1 + Math.abs(track.fine) / tolerance) / 6);
    if (sign === "right") {
      this.note(PITCH_HZ.right, 0.3, nowS, 0.5);
      this.nextS = nowS + 0.28;
    } else {
      this.note(PITCH_HZ[sign], 0.03, nowS, 1);
      this.nextS = nowS + 0.09 + 0.6 * far;
    }
  }

  chime() {
    if (!this.isOn || !this.context) return;
    const nowS = this.context.currentTime;
    [523, 659, 784].forEach((hz, place) => this.note(hz, 0.22, nowS + place * 0.12, 1));
    this.nextS = nowS + 0.7;
  }

  note(hz, seconds, atS, share) {
    const tone = this.context.createOscillator();
    const gain = this.context.createGain();
    const peak = Math.min(LOUDEST, LOUDEST * this.volume * share);
    tone.frequency.value = hz;
    gain.gain.setValueAtTime(0, atS);
    gain.gain.linearRampToValueAtTime(peak, atS + 0.006);
    gain.gain.exponentialRampToValueAtTime(0.0005, atS + seconds + 0.02);
    tone.connect(gain).connect(this.context.destination);
    tone.start(atS);
    tone.stop(atS + seconds + 0.04);
  }
}
