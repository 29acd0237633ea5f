// The page: joins the connection, the parts that a layout names, and the views.

import { faults, noteFault, onFault } from "./faults.js";

import { Commands } from "./commands.js";
import { isBias, TrackList } from "./deviation.js";
import { element, forgetPalette } from "./elements.js";
import { Link, remembered } from "./link.js";
import { Figure } from "./parts/figure.js";
import { Progress, StatusLine, StepLine } from "./parts/lines.js";
import { Strip } from "./parts/strip.js";
import { Tracks } from "./parts/tracks.js";
import { Trails } from "./parts/trails.js";
import { Trimmers } from "./parts/trimmers.js";
import { openMenu } from "./menu.js";
import { pairFromAddress } from "./pairing.js";
import { levelText, outsideText, signOf } from "./scale.js";
import { Sound } from "./sound.js";
import { logView } from "./views/log.js";
import { prepareView } from "./views/prepare.js";
import { runView } from "./views/run.js";

const PARTS = { step: StepLine, status: StatusLine, figure: Figure, strip: Strip, tracks: Tracks, progress: Progress };
const VIEWS = { prepare: prepareView, run: runView, log: logView };
const SAID_MS = 6000;
const DONE_MS = 2000;
const STATUS_PX = 42; // two lines that can be read in the hand
const TROUBLE_MS = 50;
const PICTURE_MS = 30;
const FAST_MS = 25;
const EMPTY_LOG = { trims: [], turned: [], confirmations: [], lines: [], calibration: null, log: "on" };

class App {
  constructor() {
    this.search = new URLSearchParams(location.search);
    this.trails = new Trails();
    this.said = { text: "", isRefusal: false };
    this.log = EMPTY_LOG;
    this.byTrack = new Map();
    this.view = document.getElementById("view");
    this.band = document.getElementById("band");
    this.spoken = document.getElementById("spoken");
    this.focusTrack = 0;
    this.nextTrack = 0;
    this.missing = new TrackList();
    this.waiting = new TrackList(); // those that only wait to be logged
    this.openTracks = new Set();
    this.paintedFrame = null;
    this.parts = [];
    this.viewName = "";
    this.paintFault = "";
    this.isStale = this.isMute = false;
    this.faults = faults;
  }

  async begin() {
    await pairFromAddress();
    this.link = new Link(this.search);
    this.setup = await this.load();
    this.link.framesPerS = this.setup.frames_per_s;
    onFault((fault) => this.say(`this page has a fault, load it again: ${fault}`, true));
    this.sound = new Sound(this);
    this.commands = new Commands(this);
    this.layoutName = this.chosenLayout();
    this.theme = remembered("theme", () => this.layout.theme, localStorage);
    this.useTheme();
    matchMedia("(prefers-color-scheme: light)").addEventListener("change", () => this.useTheme());
    matchMedia("(orientation: portrait)").addEventListener("change", () => this.viewName === "trim" && this.open("trim"));
    addEventListener("resize", () => this.fitLayout());
    document.addEventListener("focusout", () => this.fitLayout());
    new ResizeObserver(() => this.viewName === "trim" && this.sizeRows()).observe(this.view);
    this.link.on("frame", (frame) => {
      this.trails.add(frame);
      this.sound.hear(frame, this);
    });
    this.link.on("open", () => this.reload());
    this.link.resume(this.link.socket, true);
    this.link.on("/page/changed", () => this.readLog());
    this.link.on("/trim/logged", (track, adjustment, found, left, spread, id) => this.logged(track, adjustment, left, id));
    this.readLog();
    this.open(this.layout.views[0]);
    this.stayAwake();
    document.addEventListener("visibilitychange", () => this.stayAwake());
    requestAnimationFrame((nowMs) => this.paint(nowMs));
    setInterval(() => document.hidden || this.showTrouble(), TROUBLE_MS);
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
      this.band.textContent = "no connection to trimbridge: is it running?";
      await new Promise((resolve) => setTimeout(resolve, 1000));
    }
  }

  // After a reconnection the daemon may be another one, with other steps and another calibration: what the one before
  // has said, and the way back from what was asked of it, are no more.
  async reload() {
    const { socket } = this.link;
    const setup = await this.load();
    if (socket !== this.link.socket) return; // the next connection finds out itself who is at its other end
    const isOther = JSON.stringify(setup) !== JSON.stringify(this.setup);
    const isSameRun = setup.run === this.setup.run;
    this.setup = setup;
    this.link.framesPerS = setup.frames_per_s;
    if (!isSameRun) {
      this.log = EMPTY_LOG;
      this.byTrack.clear();
      this.trails.forget();
      this.commands.forget();
    }
    this.link.resume(socket, isSameRun);
    if (!isSameRun) this.silence();
    this.readLog();
    if (isOther) this.open(this.viewName);
  }

  // A screen that is turned or resized has what it would have if the page were opened there. Not while something is
  // typed: what makes the window small then is the keyboard on the screen.
  fitLayout() {
    const name = this.chosenLayout();
    if (name === this.layoutName || document.activeElement?.matches("input, textarea")) return;
    this.layoutName = name;
    this.open(this.layout.views.includes(this.viewName) ? this.viewName : this.layout.views[0]);
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
    this.repaint();
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
    document.getElementById("notice")?.remove();
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
    const all = this.layout[matchMedia("(orientation: portrait)").matches ? "portrait" : "landscape"];
    // Trimmers stand in place of the overview: a track each, too. Figure and commands stay, an apprentice needs both.
    const gone = matchMedia("(max-height: 700px)").matches ? ["tracks", "strip"] : ["tracks"];
    const rows = this.trimmers?.isOpen ? all.filter(({ parts }) => !gone.includes(parts.join())) : all;
    const grid = element("div", { class: this.trimmers?.isOpen ? "trim practice" : "trim" }, element("h1", { class: "unseen" }, `Trim ${this.setup.machine.name}`));
    this.grid = grid;
    this.rows = rows;
    for (const row of rows) {
      const line = element("div", { class: "row" });
      const widths = row.widths.length ? row.widths : row.parts.map(() => 1);
      line.style.gridTemplateColumns = widths.map((width) => `minmax(0, ${width}fr)`).join(" ");
      for (const name of row.parts) line.append(this.make(name));
      grid.append(line);
    }
    this.view.replaceChildren(grid);
    if (this.trimmers?.isOpen) grid.insertBefore(this.trimmers.element, grid.children[this.trimmersPlace + 1] ?? null);
    this.sizeRows();
    this.commands.arrange();
    // At once: a button has no name until it is painted.
    this.repaint();
    this.paintFrame(performance.now());
  }

  // Each row has its share of the height; what is touched has no less than a finger needs.
  sizeRows() {
    const heights = this.rows.map((row) => {
      const at = row.parts.indexOf("commands");
      const widths = row.widths.length ? row.widths : row.parts.map(() => 1);
      const wide = at < 0 ? 0 : widths[at] / widths.reduce((sum, width) => sum + width);
      const least = at >= 0 ? this.commands.leastHeight(this.grid.clientWidth * wide) : row.parts.includes("step") ? this.stepHeight : row.parts.includes("status") ? STATUS_PX : 0;
      const share = this.trimmers?.isOpen && row.parts.join() === "strip" ? 0.5 : 1;
      return `minmax(${least}px, ${row.height * share}fr)`;
    });
    if (this.trimmers?.isOpen) heights.splice(this.trimmersPlace, 0, "auto");
    this.grid.style.gridTemplateRows = heights.join(" ");
  }

  // The menu, and what the step says, whole, also while the band takes its room.
  get stepHeight() {
    const said = this.grid.querySelector(".step .what > .of")?.parentElement;
    return Math.max(said?.offsetHeight ?? 0, this.hasMenu ? this.touch + 4 : 0);
  }

  // Above the commands, or below everything.
  get trimmersPlace() {
    const place = this.rows.findIndex(({ parts }) => parts.includes("commands"));
    return place < 0 ? this.rows.length : place;
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

  // Asks for a picture though no new frame has come: something else than the readings is to be shown.
  repaint() {
    this.paintedFrame = null;
  }

  paintFrame(nowMs) {
    const { frame } = this.link;
    if (!frame || frame === this.paintedFrame || this.viewName !== "trim") return;
    this.isForced = this.paintedFrame === null;
    this.paintedFrame = frame;
    this.findTracks(frame);
    const track = frame.tracks.find(({ number }) => number === this.focusTrack);
    if (track) this.paintParts(frame, track, nowMs);
    this.commands.paint(frame);
    if (this.trimmers?.isOpen) this.trimmers.paint(frame);
    const toneS = Math.floor(frame.tone.s);
    if (toneS !== this.toneS) document.body.dataset.toneS = this.toneS = toneS;
    if (!this.hasPainted) document.body.dataset.painted = "";
    this.hasPainted = true;
    this.painted?.(frame);
  }

  // Figures are painted with every frame, pictures 30 times a second, and when frames come faster than that, not two
  // pictures at a time: a tablet without a graphics processor has 16 ms for all of it.
  paintParts(frame, track, nowMs) {
    const isFast = nowMs - this.paintedMs < FAST_MS;
    this.paintedMs = nowMs;
    let isBusy = false;
    for (const part of this.parts) {
      if (part.drawing) {
        if (!this.isForced && (nowMs - part.paintedMs < PICTURE_MS || (isBusy && isFast))) continue;
        part.paintedMs = nowMs;
        isBusy = true;
      }
      part.paint(frame, track, nowMs);
    }
  }

  // The track in focus is the one that is being turned; when none is, the one to be turned next.
  findTracks(frame) {
    const numbers = frame.tracks.map((track) => track.number);
    this.openTracks = new Set(numbers.filter((number) => this.isMissing(frame.step, number)));
    this.nextTrack = frame.focus.next || 0;
    const chosen = frame.focus.track || this.nextTrack || this.focusTrack;
    this.focusTrack = numbers.includes(chosen) ? chosen : numbers[0];
  }

  // The daemon knows what is missing; where it has nothing to say, the log tells.
  isMissing(step, number) {
    if (!(step.complete + step.missing > 0)) return !this.trimOf(number);
    return this.missing.of(step.missing_tracks).has(number);
  }

  get waitingTracks() {
    return this.waiting.of(this.link.frame?.step.waiting_tracks);
  }

  // What a finger needs, CSS pixels.
  get touch() {
    return parseFloat(getComputedStyle(document.documentElement).getPropertyValue("--touch"));
  }

  showTrouble() {
    const { trouble } = this;
    const { frame, silence } = this.link;
    const isStale = Boolean(trouble);
    const age = this.link.ageS;
    const since = frame && age > 1 && Number.isFinite(age) ? ` · last\u00a0seen\u00a0${age < 90 ? `${Math.floor(age)}\u00a0s` : `${Math.floor(age / 60)}\u00a0min`}\u00a0ago` : "";
    const text = isStale ? `not live: ${trouble}${since}` : "";
    if (this.band.hidden === isStale) this.band.hidden = !isStale;
    if (this.band.textContent !== text) this.band.textContent = text;
    const isMute = Boolean(frame && silence);
    if (isStale !== this.isStale || isMute !== this.isMute) this.repaint();
    // What was said is the past, too.
    if (isMute && !this.isMute) this.silence();
    this.isStale = isStale;
    this.isMute = isMute;
    if (document.body.classList.contains("mute") !== isMute) document.body.classList.toggle("mute", isMute);
    this.markAsking();
    if (document.body.classList.contains("stale") !== isStale) document.body.classList.toggle("stale", isStale);
  }

  // Takes back what was said.
  silence() {
    clearTimeout(this.sayTimer);
    this.said = { text: "", isRefusal: false };
    this.spoken.textContent = "";
    document.getElementById("notice")?.remove();
    this.repaint();
  }

  // What asks something of the daemon cannot be had while it is not heard. It stays where it is for a keyboard, and says
  // why when it is pressed.
  markAsking() {
    for (const button of document.querySelectorAll(this.isMute ? "[data-asks]:not([aria-disabled])" : "[data-asks][aria-disabled]")) {
      if (this.isMute) button.setAttribute("aria-disabled", "true");
      else button.removeAttribute("aria-disabled");
    }
  }

  say(text, isRefusal) {
    this.said = { text, isRefusal, ms: performance.now() };
    this.repaint();
    if (!text.endsWith("…")) this.spoken.textContent = text;
    clearTimeout(this.sayTimer);
    this.sayTimer = setTimeout(() => {
      this.said = { text: "", isRefusal: false };
      this.repaint();
    }, SAID_MS);
    // Where no line of the screen is for it, it lies over the screen.
    const hasLine = this.viewName === "trim" && this.parts.some((part) => part instanceof Progress);
    if (!hasLine && text && !text.endsWith("…")) this.band.after(this.notice(text, isRefusal));
  }

  notice(text, isRefusal) {
    document.getElementById("notice")?.remove();
    const made = element("p", { id: "notice", class: isRefusal ? "refusal" : null, role: isRefusal ? "alert" : "status" }, text);
    setTimeout(() => made.remove(), isRefusal ? SAID_MS : DONE_MS);
    return made;
  }

  // The log

  // Resolves when what stood in the log at the call has been read.
  readLog() {
    this.mustReadAgain = true;
    this.reading ??= this.readChanges();
    return this.reading;
  }

  async readChanges() {
    const before = this.log.calibration?.id;
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
    this.reading = null;
    if (before && this.log.calibration?.id !== before) this.commands.forget();
    this.byTrack.clear();
    for (const trim of this.log.trims) if (!trim.withdrawn_by) this.byTrack.set(`${trim.step} ${trim.track}`, trim);
    this.refresh();
    this.repaint();
  }

  trimOf(track, step = this.link.frame?.step.number ?? 0) {
    return this.byTrack.get(`${step} ${track}`);
  }

  // Whether a track was turned since it was logged in a step, or before.
  isTurned(track, step) {
    return this.log.turned.some((one) => one.track === track && one.step === step);
  }

  get newestTrim() {
    return this.log.trims.filter((trim) => !trim.withdrawn_by).at(-1) ?? null;
  }

  // How finely the level may be told, and whether it is within its tolerance, stands in the log.
  async logged(track, adjustment, left, id) {
    this.sound.chime();
    await this.readLog();
    const trim = this.log.trims.find((one) => one.id === id) ?? this.judged(adjustment, left);
    const isOutside = trim.within_tolerance === false;
    const outside = isOutside ? outsideText(left, trim.tolerance_db, trim.resolution_db) : "";
    this.say(`track ${track} logged, left at ${levelText(left, trim.resolution_db)} dB${outside}`, isOutside);
  }

  // Where the log cannot be read, the step that is shown judges its own trims.
  judged(adjustment, left) {
    const { step } = this.link.frame;
    if (step.adjustment !== adjustment || isBias(step)) return {};
    return { tolerance_db: step.tolerance_db, within_tolerance: signOf(left, step.tolerance_db) === "right" };
  }

  menu() {
    openMenu(this);
  }
}

const app = new App();
globalThis.trimbridge = app;
app.begin();
