// What a person tells the daemon: buttons, keys and sheets in; OSC requests out, each answered for all to see, each with
// its way back.

import { answerTo } from "./answers.js";
import { element, put } from "./elements.js";
import { fixedText, hzText, rangeText } from "./scale.js";
import { sheet } from "./sheet.js";
import { stepName, WaysBack } from "./waysback.js";

const GAP = 6; // between buttons, as in the style

const KEYS = {
  ArrowRight: "next", PageDown: "next",
  ArrowLeft: "back", PageUp: "back",
  ArrowDown: "trackAfter", ArrowUp: "trackBefore",
  r: "repeat", h: "hold", " ": "hold", l: "log", Enter: "log", u: "undo", Backspace: "undo",
  b: "bank", t: "track", a: "automatic", s: "step", p: "path", n: "note", o: "sound", m: "menu", f: "follow", d: "target", "?": "keys",
};

const KEY_WORDS = [
  ["→ or Page Down (pedal)", "next step"], ["← or Page Up (pedal)", "step before"],
  ["↓ and ↑", "next track, track before"], ["a", "focus follows the hand again"], ["l or Enter", "log the track now"],
  ["u or Backspace", "undo"], ["h or Space", "hold, go on"], ["f", "stay at the step, follow the tape"], ["r", "repeat the step"], ["t", "choose a track"],
  ["b", "choose a bank"], ["s", "choose a step"], ["p", "the same on the other path"], ["n", "write a note"],
  ["d", "target and its terms"], ["o", "sound"], ["m", "menu"], ["Esc", "close"],
];

export class Commands {
  constructor(app) {
    this.app = app;
    this.waysBack = new WaysBack(app);
    this.elements = new Map();
    this.place = null;
    document.addEventListener("keydown", (event) => this.pressed(event));
  }

  get frame() {
    return this.app.link.frame;
  }

  // Buttons of the layout

  bar(names) {
    const bar = element("section", { class: "part commands", "aria-label": "Commands" });
    for (const name of names) {
      const label = element("span", {}, `${name[0].toUpperCase()}${name.slice(1)}`);
      const more = element("small");
      const button = element("button", { "data-command": name, "data-asks": name !== "sound", onclick: () => this.run(name) }, label, more);
      this.elements.set(name, { button, label, more });
      bar.append(button);
    }
    this.place = bar;
    new ResizeObserver(() => this.arrange()).observe(bar);
    return bar;
  }

  // The least height at which every button of the layout is as large as it must be.
  leastHeight(width) {
    const columns = Math.max(1, Math.floor((width - 24 + GAP) / (this.app.touch + GAP)));
    return Math.ceil(this.app.layout.commands.length / columns) * (this.app.touch + GAP);
  }

  // As many rows as there is room for, and the columns that follow from it.
  arrange() {
    const bar = this.place;
    if (!bar?.clientHeight) return;
    const touch = this.app.touch + GAP;
    const count = bar.childElementCount;
    const rows = Math.max(1, Math.min(count, Math.floor((bar.clientHeight + GAP) / touch)));
    const most = Math.max(1, Math.floor((bar.clientWidth + GAP) / touch));
    const columns = Math.max(1, Math.min(most, Math.ceil(count / rows)));
    bar.style.gridTemplateColumns = `repeat(${columns}, minmax(0, 1fr))`;
  }

  paint(frame) {
    const { may_command: mayCommand } = this.app.setup.visitor;
    const focus = this.app.focusTrack;
    const other = this.otherPath(frame);
    const back = this.waysBack.next;
    const words = {
      back: ["Back", ""],
      next: ["Next", ""],
      repeat: ["Repeat", "step"],
      step: ["Step", this.isStaying ? "stays" : `${frame.step.number} of ${frame.step.count}`],
      path: ["Path", other ? `to ${other.path}` : "one only"],
      bank: ["Bank", `${frame.bank.number} of ${this.app.setup.banks.length}`],
      track: ["Track", frame.focus.track ? `at ${frame.focus.track}` : "follows"],
      hold: [frame.hold.on ? "Go on" : "Hold", ""],
      follow: [this.isStaying ? "Follow" : "Stay", this.isStaying ? "the tape" : "at the step"],
      log: ["Log now", `track ${focus}`],
      undo: [back ? "Undo:" : "Undo", this.waysBack.wordsOf(back)],
      note: ["Note", ""],
      sound: ["Sound", this.app.sound.isOn ? "on" : "off"],
    };
    const impossible = {
      back: frame.step.number <= 1,
      next: frame.step.number >= frame.step.count,
      bank: this.app.setup.banks.length < 2,
      path: !other,
      undo: !back,
    };
    for (const [name, { button, label, more }] of this.elements) {
      const [text, small] = words[name];
      put(label, text);
      put(more, small);
      if (name === "undo") this.fitUndo(button, small);
      const isOff = (name !== "sound" && !mayCommand) || Boolean(impossible[name]);
      if (button.disabled !== isOff) button.disabled = isOff;
      const isPressed = { hold: frame.hold.on, follow: this.isStaying, sound: this.app.sound.isOn }[name];
      if (isPressed !== undefined && button.getAttribute("aria-pressed") !== String(isPressed)) button.setAttribute("aria-pressed", isPressed);
    }
  }

  // What undo says may be long: it is set as small as it must be to stand there whole.
  fitUndo(button, text) {
    const key = `${text} ${button.clientWidth} ${button.clientHeight}`;
    if (key === button.dataset.fitted || !button.clientHeight) return;
    button.dataset.fitted = key;
    button.classList.remove("tight");
    if (button.scrollHeight > button.clientHeight) button.classList.add("tight");
  }

  // Keys; a page-turner pedal is a keyboard

  pressed(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || sheet.isOpen) return;
    if (event.target.closest?.("input, textarea, select")) return;
    const isButton = event.target.closest?.("button, summary, a");
    if (isButton && (event.key === "Enter" || event.key === " ")) return;
    const name = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!name) return;
    event.preventDefault();
    if (event.repeat) return;
    this.run(name);
  }

  run(name) {
    this.app.sound.wake();
    const frame = this.frame;
    const free = { sound: () => this.app.sound.toggle(), menu: () => this.showMenu(), target: () => this.showTarget(), keys: () => this.showKeys() };
    if (free[name]) return free[name]();
    if (!this.app.setup.visitor.may_command) return this.app.say(this.app.setup.visitor.why_not, true);
    if (!frame) return this.app.say("no connection", true);
    if (this.app.link.silence) return this.refuse();
    switch (name) {
      case "next": return this.do("next step", "/do/next", "", [], this.backToStep());
      case "back": return this.do("step before", "/do/back", "", [], this.backToStep());
      case "repeat": return this.do("repeat step", "/do/repeat", "", []);
      case "hold": return this.do(frame.hold.on ? "go on" : "hold", "/do/hold", frame.hold.on ? "F" : "T", [], [frame.hold.on ? "hold again" : "go on", "/do/hold", frame.hold.on ? "T" : "F"]);
      case "follow": return this.follow(this.isStaying);
      case "log": return this.do(`log track ${this.app.focusTrack}`, "/do/log", "i", [this.app.focusTrack]);
      case "automatic": return this.focus(0);
      case "trackAfter": return this.focus(this.neighbour(1));
      case "trackBefore": return this.focus(this.neighbour(-1));
      case "undo": return this.undo();
      case "path": return this.goTo(this.otherPath(frame));
      default: return this.choose(name);
    }
  }

  // Nothing is asked of a daemon that is not heard: what comes of it could not be seen.
  refuse() {
    this.app.say(`not done, the page is not live: ${this.app.link.silence}`, true);
    return false;
  }

  // Whether the step stays, whatever tone plays.
  get isStaying() {
    return this.frame?.follow.on === false;
  }

  follow(on) {
    if (on !== this.isStaying) return; // it is so already
    const [follow, stay] = [["follow the tape", "/do/follow", "T"], ["stay at the step", "/do/follow", "F"]];
    const [asked, back] = on ? [follow, stay] : [stay, follow];
    return this.do(...asked, [], back);
  }

  neighbour(by) {
    const numbers = this.frame.tracks.map((track) => track.number);
    const place = numbers.indexOf(this.app.focusTrack);
    return numbers[(place + by + numbers.length) % numbers.length];
  }

  focus(track) {
    const before = this.frame.focus.track;
    return this.do(track ? `focus on track ${track}` : "focus follows the hand", "/do/focus", "i", [track], [before ? `back to track ${before}` : "follow the hand", "/do/focus", "i", before]);
  }

  backToStep() {
    const { steps } = this.app.setup;
    const { number } = this.frame.step;
    return [`back to ${steps[number - 1] ? stepName(steps, steps[number - 1]) : "no step"}`, "/do/step", "i", number];
  }

  goTo(step) {
    if (!step) return this.app.say("there is no such step on the other path", true);
    return this.do(`step ${step.number}`, "/do/step", "i", [step.number], this.backToStep());
  }

  // The step on the other path that does the same: repro high at 10 kHz and sync high at 10 kHz.
  otherPath(frame) {
    const here = this.app.setup.steps[frame.step.number - 1];
    const found = here && /^(repro|sync) (.*)$/.exec(here.adjustment);
    if (!found) return null;
    const wanted = `${found[1] === "repro" ? "sync" : "repro"} ${found[2]}`;
    const steps = this.app.setup.steps.filter((step) => step.adjustment === wanted && step.speed_ips === here.speed_ips);
    return steps.sort((one, other) => Math.abs(one.tone_hz - here.tone_hz) - Math.abs(other.tone_hz - here.tone_hz))[0] ?? null;
  }

  // Sends a request, says how things stand then, or why not, and remembers the way back: what that is called, and its
  // request.
  async do(label, address, tags, values, back, answer = answerTo(address, tags, values, this.app.setup.words)) {
    if (this.app.link.silence) return this.refuse();
    const name = [...this.elements].find(([, { button }]) => button === document.activeElement)?.[0];
    const button = name && this.elements.get(name).button;
    if (button) button.dataset.busy = "";
    this.app.say(`${label} …`, false);
    const refusal = await this.app.link.ask(address, tags, ...values);
    if (button) delete button.dataset.busy;
    if (refusal) this.app.say(`${label}: ${refusal}`, true);
    else {
      this.app.say(answer, false);
      if (back) this.waysBack.push(...back);
    }
    return !refusal;
  }

  forget() {
    this.waysBack.forget();
  }

  async undo() {
    const { waysBack } = this;
    const last = waysBack.next;
    if (!last) return this.app.say("there is nothing to undo", true);
    if (this.app.link.silence) return this.refuse();
    waysBack.pop();
    const { stack } = waysBack;
    const what = waysBack.wordsOf(last);
    const answer = last.address === "/do/undo" ? `withdrawn: ${what}` : undefined;
    const isDone = await this.do(`undo, ${what}`, last.address, last.tags, last.values, undefined, answer);
    // Where all was forgotten meanwhile, another run is there, which this is not the way back of.
    if (!isDone && last.address !== "/do/undo" && stack === waysBack.stack) stack.push(last);
  }

  // Sheets

  async choose(name) {
    const { setup } = this.app;
    const frame = this.frame;
    if (!frame) return;
    if (name === "note") return this.writeNote();
    if (name === "track") {
      const tracks = frame.tracks.map((track) => ({ label: String(track.number), value: track.number, small: this.app.trimOf(track.number) ? "logged" : "", isNow: track.number === this.app.focusTrack }));
      const chosen = await sheet.choose("Which track?", [...tracks, { label: "Follow", value: 0, small: "the trimmer that moves" }], "6rem");
      if (chosen !== null) this.focus(chosen);
    } else if (name === "bank") {
      const banks = setup.banks.map((bank) => ({ label: `Bank ${bank.number}`, value: bank.number, small: `tracks ${rangeText(bank.tracks)}`, isNow: bank.number === frame.bank.number }));
      const chosen = await sheet.choose("Which tracks are patched to the interface?", banks);
      if (chosen !== null) this.do(`bank ${chosen}`, "/do/bank", "i", [chosen], [`back to bank ${frame.bank.number}`, "/do/bank", "i", frame.bank.number]);
    } else if (name === "step") {
      const steps = setup.steps.map((step) => ({ label: `${step.number} · ${step.adjustment}`, value: step.number, small: `${hzText(step.tone_hz)}, ${step.speed_ips} in/s`, isNow: step.number === frame.step.number }));
      const ways = [{ label: "Follow", value: "follow", small: "the tone that plays", isNow: !this.isStaying }, { label: "Stay", value: "stay", small: "at the step", isNow: this.isStaying }];
      const chosen = await sheet.choose("Which step?", [...steps, ...ways], "14rem");
      if (ways.some(({ value }) => value === chosen)) this.follow(chosen === "follow");
      else if (chosen !== null) this.goTo(setup.steps[chosen - 1]);
    }
  }

  async writeNote() {
    const text = await sheet.ask("Note for the log", "note");
    if (text) this.do("note", "/do/note", "s", [text], ["the note", "/do/note", "s", `taken back: ${text}`.slice(0, 500)]);
  }

  showKeys() {
    sheet.show("Keys and pedal", table(KEY_WORDS));
  }

  showTarget() {
    const step = this.app.setup.steps[(this.frame?.step.number ?? 0) - 1];
    if (!step) return sheet.show("Target", element("p", {}, "There are no steps: add [[step]] tables to the config."));
    const terms = Object.entries(step.terms_db).map(([name, db]) => [name.replace("_", " "), `${fixedText(db)} dB`]);
    const parts = [table([...terms, ["target", `${fixedText(step.target_vu)} VU`], ["uncertainty", `± ${step.uncertainty_db.toFixed(2)} dB`], ["tolerance", `± ${step.tolerance_db} dB`]])];
    for (const advice of new Set(step.warnings.map((warning) => warning.advice))) {
      // What is good for several of them is said once, behind them all.
      const messages = step.warnings.filter((warning) => warning.advice === advice).map((warning) => element("h3", {}, warning.message));
      parts.push(element("div", { class: "caution" }, ...messages, element("p", {}, advice)));
    }
    for (const advice of step.advice) parts.push(element("p", { class: "advice" }, advice));
    sheet.show(`${step.adjustment} at ${hzText(step.tone_hz)}, ${step.speed_ips} in/s`, ...parts);
  }

  showMenu() {
    this.app.menu();
  }
}

export function table(rows) {
  return element("table", {}, element("tbody", {}, ...rows.map(([name, value]) => element("tr", {}, element("td", {}, name), element("td", {}, value)))));
}
