// The page: joins the connection, the parts that a layout names, and the views.

import { faults, noteFault, onFault } from "./faults.js";

import { Commands } from "./commands.js";
import { element, forgetPalette } from "./elements.js";
import { Link, remembered } from "./link.js";
import { Figure } from "./parts/figure.js";
import { Progress, StatusLine, StepLine } from "./parts/lines.js";
import { Strip, Trails } from "./parts/strip.js";
import { Tracks } from "./parts/tracks.js";
import { Trimmers } from "./parts/trimmers.js";
import { openMenu } from "./menu.js";
import { pairFromAddress } from "./pairing.js";
import { Sound } from "./sound.js";
import { logView } from "./views/log.js";
import { prepareView } from "./views/prepare.js";
import { runView } from "./views/run.js";

const PARTS = { step: StepLine, status: StatusLine, figure: Figure, strip: Strip, tracks: Tracks, progress: Progress };
const VIEWS = { prepare: prepareView, run: runView, log: logView };
const SAID_MS = 6000;

class App {
  constructor() {
    this.search = new URLSearchParams(location.search);
    this.trails = new Trails();
    this.said = { text: "", isRefusal: false };
    this.log = { trims: [], confirmations: [], lines: [], calibration: null, log: "on" };
    this.byTrack = new Map();
    this.view = document.getElementById("view");
    this.band = document.getElementById("band");
    this.spoken = document.getElementById("spoken");
    this.focusTrack = 0;
    this.nextTrack = 0;
    this.parts = [];
    this.viewName = "";
    this.paintFault = "";
    this.faults = faults;
  }

  async begin() {
    await pairFromAddress();
    this.link = new Link(this.search);
    this.setup = await this.load();
    onFault((fault) => this.say(`this page has a fault, load it again: ${fault}`, true));
    this.sound = new Sound(this);
    this.commands = new Commands(this);
    this.layoutName = this.chosenLayout();
    this.theme = remembered("theme", () => this.layout.theme, localStorage);
    this.useTheme();
    matchMedia("(prefers-color-scheme: light)").addEventListener("change", () => this.useTheme());
    matchMedia("(orientation: portrait)").addEventListener("change", () => this.viewName === "trim" && this.open("trim"));
    this.link.on("frame", (frame) => {
      this.trails.add(frame);
      this.sound.hear(frame, this);
    });
    this.link.on("open", () => this.reload());
    this.link.on("/page/changed", () => this.readLog());
    this.link.on("/trim/logged", (track, adjustment, found, left) => this.logged(track, adjustment, left));
    this.readLog();
    this.open(this.layout.views[0]);
    this.stayAwake();
    document.addEventListener("visibilitychange", () => this.stayAwake());
    requestAnimationFrame((nowMs) => this.paint(nowMs));
    setInterval(() => document.hidden || this.showTrouble(), 250);
  }

  // Browsers grant this over https and on the computer itself only, and take it back when the page is hidden.
  async stayAwake() {
    if (document.hidden || !navigator.wakeLock) return;
    try {
      await navigator.wakeLock.request("screen");
    } catch {
      // The tablet saves its battery: the menu says what to do.
    }
  }

  async load() {
    for (;;) {
      try {
        const answer = await fetch(`/setup.json${location.search}`, { cache: "no-store" });
        if (answer.ok) return await answer.json();
      } catch {
        // Nobody answers yet: ask again.
      }
      this.band.hidden = false;
      this.band.textContent = "no connection to the daemon: is it running?";
      await new Promise((resolve) => setTimeout(resolve, 1000));
    }
  }

  // After a reconnection the daemon may be another one, with other steps.
  async reload() {
    const setup = await this.load();
    const isOther = JSON.stringify(setup) !== JSON.stringify(this.setup);
    this.setup = setup;
    this.readLog();
    if (isOther) this.open(this.viewName);
  }

  chosenLayout() {
    const named = location.pathname.slice(1);
    if (this.setup.layouts[named]) return named;
    const narrow = Math.min(innerWidth, innerHeight) < 500;
    return narrow ? "phone" : "machine";
  }

  get layout() {
    return this.setup.layouts[this.layoutName];
  }

  get hasMenu() {
    return this.layout.views.length > 1;
  }

  useTheme() {
    const isLight = this.theme === "light" || (this.theme === "auto" && matchMedia("(prefers-color-scheme: light)").matches);
    document.documentElement.dataset.theme = isLight ? "light" : "dark";
    forgetPalette();
  }

  setTheme(theme) {
    this.theme = theme;
    try {
      localStorage.setItem("theme", theme);
    } catch {
      // A browser that keeps nothing asks the tablet again next time.
    }
    this.useTheme();
  }

  // Views

  open(name) {
    this.viewName = name;
    this.parts = [];
    this.commands.elements.clear();
    if (name === "trim") this.openTrim();
    else this.view.replaceChildren(VIEWS[name](this));
    document.title = `${this.setup.machine.name} · ${name}`;
  }

  refresh() {
    if (VIEWS[this.viewName]) {
      const at = this.view.querySelector(".page")?.scrollTop ?? 0;
      this.view.replaceChildren(VIEWS[this.viewName](this));
      this.view.querySelector(".page").scrollTop = at;
    }
  }

  openTrim() {
    const rows = this.layout[matchMedia("(orientation: portrait)").matches ? "portrait" : "landscape"];
    const grid = element("div", { class: "trim" }, element("h1", { class: "unseen" }, `Trim ${this.setup.machine.name}`));
    grid.style.gridTemplateRows = rows.map((row) => `minmax(0, ${row.height}fr)`).join(" ");
    for (const row of rows) {
      const line = element("div", { class: "row" });
      const widths = row.widths.length ? row.widths : row.parts.map(() => 1);
      line.style.gridTemplateColumns = widths.map((width) => `minmax(0, ${width}fr)`).join(" ");
      for (const name of row.parts) line.append(this.make(name));
      grid.append(line);
    }
    this.view.replaceChildren(grid);
    if (this.trimmers?.isOpen) grid.append(this.trimmers.element);
    this.commands.arrange();
    // At once: a button has no name until it is painted.
    this.paintFrame(performance.now());
  }

  make(name) {
    if (name === "commands") return this.commands.bar(this.layout.commands);
    const part = new PARTS[name](this);
    this.parts.push(part);
    return part.element;
  }

  toggleTrimmers() {
    this.trimmers ??= new Trimmers(this);
    this.trimmers.isOpen = !this.trimmers.isOpen;
    this.open("trim");
  }

  // Live

  paint(nowMs) {
    requestAnimationFrame((next) => this.paint(next));
    try {
      this.paintFrame(nowMs);
      this.paintFault = "";
    } catch (error) {
      // What stands on the screen is the past, then: the band says so.
      this.paintFault = `this page cannot draw: ${error.message}; load it again`;
      noteFault(error.message);
    }
  }

  // What keeps the picture from being true now; empty when it is.
  get trouble() {
    return this.link.trouble || this.paintFault;
  }

  paintFrame(nowMs) {
    const { frame } = this.link;
    if (!frame || this.viewName !== "trim") return;
    this.findTracks(frame);
    const track = frame.tracks.find(({ number }) => number === this.focusTrack);
    if (track) for (const part of this.parts) part.paint(frame, part instanceof Tracks ? track.number : track, nowMs);
    this.commands.paint(frame);
    if (this.trimmers?.isOpen) this.trimmers.paint(frame);
    document.body.dataset.painted = "";
    document.body.dataset.toneS = Math.floor(frame.tone.s);
    this.painted?.(frame);
  }

  // The track in focus is the one that is being turned; when none is, the one to be turned next.
  findTracks(frame) {
    const numbers = frame.tracks.map((track) => track.number);
    const open = numbers.filter((number) => !this.trimOf(number));
    const after = open.find((number) => number > (frame.focus.track || 0));
    this.nextTrack = after ?? open[0] ?? 0;
    const chosen = frame.focus.track || this.nextTrack || this.focusTrack;
    this.focusTrack = numbers.includes(chosen) ? chosen : numbers[0];
  }

  showTrouble() {
    const { trouble } = this;
    const { frame } = this.link;
    const isStale = Boolean(trouble);
    const age = this.link.ageS;
    const since = frame && age > 1 && Number.isFinite(age) ? ` · last seen ${age < 90 ? `${Math.floor(age)} s` : `${Math.floor(age / 60)} min`} ago` : "";
    const text = isStale ? `not live: ${trouble}${since}` : "";
    this.band.hidden = !isStale;
    if (this.band.textContent !== text) this.band.textContent = text;
    document.body.classList.toggle("stale", isStale);
  }

  say(text, isRefusal) {
    this.said = { text, isRefusal };
    if (!text.endsWith("…")) this.spoken.textContent = text;
    clearTimeout(this.sayTimer);
    this.sayTimer = setTimeout(() => (this.said = { text: "", isRefusal: false }), SAID_MS);
    if (this.viewName !== "trim" && isRefusal) this.band.after(this.notice(text));
  }

  notice(text) {
    const made = element("p", { id: "refusal", class: "notice", role: "alert" }, text);
    document.getElementById("refusal")?.remove();
    setTimeout(() => made.remove(), SAID_MS);
    return made;
  }

  // The log

  async readLog() {
    if (this.isReading) return void (this.mustReadAgain = true);
    this.isReading = true;
    do {
      this.mustReadAgain = false;
      try {
        const answer = await fetch("/log.json", { cache: "no-store" });
        const document_ = await answer.json();
        if (answer.ok) this.log = document_;
        else this.say(document_.reason, true);
      } catch {
        // The connection is gone; what was read stands, and the band says so.
      }
    } while (this.mustReadAgain);
    this.isReading = false;
    this.byTrack.clear();
    for (const trim of this.log.trims) if (!trim.withdrawn_by) this.byTrack.set(`${trim.step} ${trim.track}`, trim);
    this.refresh();
  }

  trimOf(track, step = this.link.frame?.step.number ?? 0) {
    return this.byTrack.get(`${step} ${track}`);
  }

  get newestTrim() {
    return this.log.trims.filter((trim) => !trim.withdrawn_by).at(-1) ?? null;
  }

  logged(track, adjustment, left) {
    this.say(`track ${track} logged, left at ${left >= 0 ? "+" : "−"}${Math.abs(left).toFixed(2)} dB`, false);
    this.sound.chime();
  }

  menu() {
    openMenu(this);
  }
}

const app = new App();
globalThis.trimbridge = app;
app.begin();
