// The ways back: what was done on this screen goes in; what Undo would do next, in the words of a person, comes out.

import { hzText } from "./scale.js";

const MOST = 100;

export class WaysBack {
  constructor(app) {
    this.app = app;
    this.stack = [];
    app.link.on("/trim/logged", (track, adjustment, found, left, spread, id) => this.push({ trim: id, track, adjustment }, "/do/undo", "s", id));
  }

  forget() {
    this.stack = [];
  }

  // ``what`` is what would come of it in words, or the trim that would be withdrawn or reinstated.
  push(what, address, tags, ...values) {
    this.stack.push({ what, address, tags, values });
    if (this.stack.length > MOST) this.stack.shift();
  }

  pop() {
    return this.stack.pop();
  }

  // What would be undone; after a reload the newest trim of the log.
  get next() {
    const last = this.stack.at(-1);
    if (last) return last;
    const trim = this.app.newestTrim;
    return trim ? { what: { trim: trim.id, track: trim.track, adjustment: trim.adjustment }, address: "/do/undo", tags: "s", values: [trim.id] } : null;
  }

  // What would come of it; a trim of another step than the one that is shown names its step.
  wordsOf(one) {
    if (!one) return "";
    const { what } = one;
    if (typeof what === "string") return what;
    const logged = this.app.log.trims.find(({ id }) => id === what.trim);
    const { steps } = this.app.setup;
    const here = steps[(this.app.link.frame?.step.number ?? 0) - 1];
    // Until the log has been read, it is taken for the step that is shown, if that is of its kind.
    const alike = here?.adjustment === what.adjustment ? here : steps.find(({ adjustment }) => adjustment === what.adjustment);
    const step = logged ? steps[logged.step - 1] : alike;
    const of = step === here ? "" : ` of ${step ? stepName(steps, step) : what.adjustment}`;
    if (one.address === "/do/reinstate") return `withdrawal of track ${what.track}${of}`;
    return of ? `track ${what.track}${of}` : `trim of track ${what.track}`;
  }
}

// What a step is called: by its adjustment, and by tone and speed where that is not enough.
export function stepName(steps, step) {
  const alike = steps.filter(({ adjustment }) => adjustment === step.adjustment);
  const tone = alike.some(({ tone_hz }) => tone_hz !== step.tone_hz) ? ` at ${hzText(step.tone_hz)}` : "";
  const speed = alike.some(({ speed_ips }) => speed_ips !== step.speed_ips) ? `${tone ? "," : " at"} ${step.speed_ips} in/s` : "";
  return `${step.adjustment}${tone}${speed}`;
}
