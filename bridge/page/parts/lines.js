// The lines of text of the trim view: the step, the state of things, the progress.

import { isBias, shownOf, toneOf } from "../deviation.js";
import { element, put } from "../elements.js";
import { fixedText, hzText, rangeText, timeText } from "../scale.js";

const NEWS_MS = 15000; // as long as the daemon says what happened just now
const LONGEST_LIST = 20; // characters: more is not read at a glance, and each track shows it itself
const MOMENTARY = ["large", "alone large", "", "alone", "alone small", "long"];
const ALWAYS_LARGE = ["large", "alone large", "long large"]; // until it is done nothing else counts

export class StepLine {
  constructor(app) {
    this.app = app;
    this.name = element("span", { class: "name" }, app.setup.machine.name);
    this.of = element("span", { class: "of" });
    const what = element("button", { class: "what", onclick: () => app.commands.showTarget() }, this.name, this.of);
    const menu = element("button", { class: "menu", "aria-label": "Menu", onclick: () => app.commands.showMenu() }, "☰");
    this.element = element("section", { class: "part step", "aria-label": "Step" }, app.hasMenu ? menu : null, what);
  }

  paint(frame) {
    const { number, count, adjustment, tone_hz, speed_ips, target_vu, tolerance_db, uncertainty_db } = frame.step;
    if (!number) {
      put(this.name, "no steps");
      this.say([this.app.setup.machine.name], frame);
      return;
    }
    const speed = `${Number(speed_ips.toPrecision(3))} in/s`;
    const isNamed = this.sayName(`${adjustment} · ${hzText(tone_hz)}`, speed);
    const sure = uncertainty_db > 0 ? ` ± ${uncertainty_db.toFixed(2)}` : "";
    const target = isBias(frame.step)
      ? ["to its peak, then the data sheet's drop"]
      : [`target ${fixedText(target_vu)}${sure} VU`, `tolerance ${Number(tolerance_db.toPrecision(2))} dB`];
    const place = `step ${number} of ${count}`;
    this.of.classList.toggle("several", this.isOneOfSeveral && !isNamed);
    if (isNamed) this.say([...target, place], frame);
    else this.say(this.isOneOfSeveral ? [speed, ...target, place] : [...target, speed, place], frame);
  }

  // Where there are several speeds the wrong one costs all that is trimmed at it: it is read from as far as the tone is,
  // or where it does not fit there whole, first among the facts. Returns whether it is in the name.
  sayName(what, speed) {
    if (!this.isOneOfSeveral) {
      put(this.name, what);
      return false;
    }
    const key = `${what} ${speed} ${innerWidth} ${innerHeight}`;
    if (key !== this.nameKey) {
      // Before it is laid out nothing is known of its width.
      this.nameKey = this.name.clientWidth ? key : "";
      put(this.name, `${what} · ${speed}`);
      this.isNamed = this.name.scrollWidth <= this.name.clientWidth;
      if (!this.isNamed) put(this.name, what);
    }
    return this.isNamed;
  }

  get isOneOfSeveral() {
    const { steps } = this.app.setup;
    return steps.some((step) => step.speed_ips !== steps[0].speed_ips);
  }

  // That the tape is not followed stands beside the step: there looks who wonders why it does not change.
  say(facts, frame) {
    const isStaying = frame.follow.on === false;
    const key = `${facts} ${isStaying}`;
    if (key === this.said) return;
    this.said = key;
    const stays = isStaying ? [element("span", { class: "stays notice" }, this.app.setup.words.stays)] : [];
    this.of.replaceChildren(...facts.flatMap((fact) => [element("span", {}, fact), " "]), ...stays);
    // It may take one more line.
    if (isStaying !== this.isStaying) this.app.sizeRows();
    this.isStaying = isStaying;
  }
}

export class StatusLine {
  constructor(app) {
    this.app = app;
    this.tone = element("span", { class: "tone" });
    this.left = element("span", { class: "left" });
    this.may = element("span", { class: "may" });
    this.role = element("span", { class: "role" });
    this.element = element("section", { class: "part status", "aria-label": "Tone and connection" }, element("div", {}, this.tone, this.may), element("div", {}, this.left, this.role));
  }

  paint(frame) {
    const { hz } = frame.tone;
    const tone = toneOf(frame);
    put(this.tone, tone === "none" ? "hears no tone" : `hears ${tone === "other" ? hzText(hz) : exactText(hz)}`);
    this.tone.classList.toggle("notice", tone === "other");
    const { time } = frame.tape;
    put(this.left, [this.leftText(frame, tone), time ? `tape at ${time}` : ""].filter(Boolean).join(" · "));
    const { may_command: mayCommand } = this.app.setup.visitor;
    const held = frame.hold.on ? "held" : "";
    const log = frame.health.log === "refusing" ? "LOG REFUSES" : frame.health.log === "off" ? "log is off" : "";
    put(this.may, [log, held, this.app.isStale ? "not live" : ""].filter(Boolean).join(" · ") || "live");
    put(this.role, this.app.isMute ? "cannot command" : mayCommand ? "may command" : "only watches");
    this.may.classList.toggle("notice", Boolean(log || held));
  }

  // How long the tone still plays, by the tape's own list; it began when it was first heard.
  leftText(frame, tone) {
    const step = this.app.setup.steps[frame.step.number - 1];
    const onTape = step?.on_tape;
    if (!step || step.records) return step ? "tone from the generator" : "";
    if (!onTape) return "not on the calibration tape";
    const place = `tone ${onTape.number} of ${onTape.of}`;
    // Whoever changes the tape reads here which one it is.
    // What does not fit is cut at its end.
    const of = onTape.tape && this.app.setup.tapes.length > 1 ? `${onTape.tape}, ` : "";
    if (tone !== "wanted") return `waits for ${of}${place}`;
    const left = onTape.seconds - frame.tone.s;
    return left >= 0 ? `${place} · ${timeText(left)} left` : `${place} · played ${timeText(frame.tone.s)}`;
  }
}

export class Progress {
  constructor(app) {
    this.app = app;
    this.settled = element("span");
    this.rest = element("span", { class: "rest" });
    this.said = element("span", { class: "said" });
    this.element = element("section", { class: "part progress", "aria-label": "Progress" }, this.settled, this.rest, this.said);
    // What did not fit before the rows had their heights may fit then.
    new ResizeObserver(() => {
      this.saidKey = "";
      app.repaint();
    }).observe(this.element);
  }

  paint(frame, track, nowMs) {
    const numbers = frame.tracks.map((track) => track.number);
    const open = numbers.filter((track) => this.app.openTracks.has(track));
    const bank = this.app.setup.banks.length > 1 ? `bank ${frame.bank.number} of ${this.app.setup.banks.length} · ` : "";
    put(this.settled, `${bank}${numbers.length - open.length} of ${numbers.length} logged`);
    put(this.rest, this.app.nextTrack ? `next: track ${this.app.nextTrack}` : open.length ? "all wait to be logged" : this.closing(frame));
    const { said, isMute } = this.app;
    const message = isMute ? "" : frame.health.message ?? "";
    const isNews = this.isNews(message, nowMs);
    // The newest is what is said, but a refusal answers whoever looks at this screen. What is said for a moment may take
    // the place of the progress, large; what stays may not.
    if (said.text && !(isNews && this.sinceMs > said.ms && !said.isRefusal)) this.say(said.text, said.isRefusal, MOMENTARY);
    else if (this.app.setup.words.by_hand.some((words) => message.includes(words))) this.say(message, true, ALWAYS_LARGE);
    else if (isNews) this.say(message, true, MOMENTARY);
    else this.say(message, Boolean(message), ["", "small", "alone", "alone small", "long"]);
  }

  // What is to be said when all is logged: which are outside the tolerance, by what they read now or were left at.
  closing(frame) {
    const isOutside = (track) => ["high", "low"].includes(shownOf(this.app, frame, track).sign) || this.app.trimOf(track.number)?.within_tolerance === false;
    const outside = frame.tracks.filter(isOutside).map(({ number }) => number);
    if (!outside.length) return "all done here";
    const told = rangeText(outside);
    return `outside: ${told.length <= LONGEST_LIST ? told : `${outside.length} tracks`}`;
  }

  // Whether a message of the daemon has come while this page was open, and was not just covered by another one.
  isNews(message, nowMs) {
    if (message !== this.message) {
      const isBack = message === this.under || this.message === undefined;
      this.under = message ? this.message : "";
      this.message = message;
      this.sinceMs = isBack ? -Infinity : nowMs;
    }
    return Boolean(message) && nowMs - this.sinceMs < NEWS_MS;
  }

  // Beside the progress or under it, in small letters, in its place: the first in which it fits, so that it covers no
  // value. What is too long for all of them lies over what is above, whole.
  say(text, isNotice, ways) {
    const key = `${text} ${isNotice} ${ways.length} ${this.settled.textContent} ${this.rest.textContent} ${innerWidth} ${innerHeight}`;
    if (key === this.saidKey) return;
    this.saidKey = key;
    put(this.said, text);
    this.said.classList.toggle("notice", isNotice);
    for (const way of ways) {
      this.element.className = `part progress ${way}`;
      if (this.fits) break;
    }
  }

  get fits() {
    const { element: box, said } = this;
    return box.scrollWidth <= box.clientWidth && said.scrollWidth <= said.clientWidth && box.scrollHeight <= box.clientHeight && said.offsetHeight <= box.clientHeight;
  }
}

function exactText(hz) {
  return hz >= 1000 ? `${(hz / 1000).toFixed(3)} kHz` : `${hz.toFixed(2)} Hz`;
}
