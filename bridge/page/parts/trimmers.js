// The trimmers of the simulated recorder: a finger on a screw in, turns out. For practice without tape. Whoever turns
// them, from here, by OSC or on another screen: they are shown as they stand.

import { element, svg } from "../elements.js";

const PER_PIXEL = 1 / 900; // of the travel: a screw turned by a finger's width moves the level by about a decibel
const STEP = 0.004;
const TURNS = 12; // a screw turns so often over its travel
const SEND_MS = 60;
const FOLLOWS_MS = 500; // after the last turn from here, until it has come back as the place where the trimmer stands

export class Trimmers {
  constructor(app) {
    this.app = app;
    this.isOpen = false;
    this.element = element("section", { class: "trimmers", "aria-label": "Trimmers of the simulated recorder" });
    this.numbers = "";
    this.adjustment = "";
    this.screws = new Map(); // by track: { slot, screw, share, turnedMs }
    this.waiting = new Map();
  }

  paint(frame) {
    const numbers = frame.tracks.map((track) => track.number).join();
    const { adjustment } = frame.step;
    if (numbers !== this.numbers || adjustment !== this.adjustment) {
      this.numbers = numbers;
      this.adjustment = adjustment;
      this.screws.clear();
      this.element.replaceChildren(...frame.tracks.map((track) => this.trimmer(track.number)));
    }
    this.follow(frame);
  }

  follow(frame) {
    const shares = (frame.practice.trimmers ?? "").split(" ").map(Number);
    if (shares.length !== frame.tracks.length) return;
    const nowMs = performance.now();
    frame.tracks.forEach(({ number }, at) => {
      const one = this.screws.get(number);
      if (nowMs - one.turnedMs > FOLLOWS_MS && one.share !== shares[at]) this.show(one, shares[at]);
    });
  }

  show(one, share) {
    one.share = share;
    one.slot.setAttribute("transform", `rotate(${share * 360 * TURNS})`);
    one.screw.setAttribute("aria-valuenow", Math.round(share * 100));
  }

  trimmer(track) {
    const slot = svg("path", { d: "M-24 0H24", stroke: "currentColor", "stroke-width": 7, "stroke-linecap": "round" });
    const screw = svg("svg", { viewBox: "-34 -34 68 68", role: "slider", tabindex: 0, "aria-label": `Trimmer of track ${track}`, "aria-valuenow": 0, "aria-valuemin": 0, "aria-valuemax": 100 }, svg("circle", { r: 30, fill: "none", stroke: "currentColor", "stroke-width": 3 }), slot);
    this.screws.set(track, { slot, screw, share: 0, turnedMs: -Infinity });
    const turn = (share) => this.turn(track, share);
    let last = null;
    screw.addEventListener("pointerdown", (event) => {
      screw.setPointerCapture(event.pointerId);
      last = event.clientX - event.clientY;
    });
    screw.addEventListener("pointermove", (event) => {
      if (last === null) return;
      const now = event.clientX - event.clientY;
      turn((now - last) * PER_PIXEL);
      last = now;
    });
    for (const end of ["pointerup", "pointercancel"]) screw.addEventListener(end, () => (last = null));
    screw.addEventListener("wheel", (event) => (event.preventDefault(), turn(-Math.sign(event.deltaY) * STEP)), { passive: false });
    const down = element("button", { "aria-label": `Track ${track} down`, onclick: () => turn(-STEP) }, "−");
    const up = element("button", { "aria-label": `Track ${track} up`, onclick: () => turn(STEP) }, "+");
    return element("div", { class: "trimmer", "data-track": track }, up, screw, element("span", {}, String(track)), down);
  }

  // Turns that come quickly are added up: the daemon is told some times a second.
  turn(track, share) {
    const key = `${track} ${this.adjustment}`;
    const one = this.screws.get(track);
    one.turnedMs = performance.now();
    this.show(one, Math.max(0, Math.min(1, one.share + share)));
    const isWaiting = this.waiting.has(key);
    this.waiting.set(key, (this.waiting.get(key) ?? 0) + share);
    if (!isWaiting) setTimeout(() => this.send(track, key), SEND_MS);
  }

  async send(track, key) {
    const share = Math.max(-1, Math.min(1, this.waiting.get(key)));
    this.waiting.delete(key);
    const refusal = await this.app.link.ask("/practice/turn", "isf", track, this.adjustment, share);
    if (refusal) this.app.say(refusal, true);
  }
}
