// The connection to the daemon: packets in; frames, events, and the plain truth about how old they are, out.

import { decode, encode } from "./osc.js";

const STALE_S = 0.5;
const STALE_FRAMES = 2.5; // where frames come so seldom that half a second without one is nothing
const ASKS = 2; // times as long after the last frame it is asked why none comes
const ANSWERS_MS = 2000; // who has not answered by then does not answer
const SILENT_S = 3; // then the connection is taken for dead: a network that went away says nothing
const WAITS_MS = [100, 250, 500, 1000, 2000];
const ANSWER_MS = 1500; // then the request is sent again, under the same id: it is not done twice
const TRIES = 3;

export class Link {
  constructor(search) {
    this.search = search;
    this.pageId = remembered("page-id", () => random(16));
    this.frame = null;
    this.receivedMs = -Infinity;
    this.refusedPackets = 0;
    this.losses = 0;
    this.isOpen = false;
    this.framesPerS = 30;
    this.isKnown = false; // whether it is known which daemon is at the other end
    this.isLocal = ["localhost", "127.0.0.1", "[::1]"].includes(location.hostname);
    this.reason = "connecting";
    this.goodBye = "";
    this.listeners = {};
    this.pending = new Map();
    this.askedMs = -Infinity;
    this.fastestMs = [Infinity, Infinity];
    this.halfMs = 0;
    this.count = 0;
    this.tries = 0;
    this.open();
    setInterval(() => this.attend(), 100);
    for (const [target, event] of [[document, "visibilitychange"], [window, "online"], [window, "pageshow"]])
      target.addEventListener(event, () => document.hidden || this.again());
  }

  on(event, listener) {
    (this.listeners[event] ??= []).push(listener);
  }

  tell(event, ...values) {
    for (const listener of this.listeners[event] ?? []) listener(...values);
  }

  open() {
    clearTimeout(this.timer);
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const query = new URLSearchParams({ page: this.pageId, ...(this.search.has("watch") ? { watch: "" } : {}) });
    const socket = (this.socket = new WebSocket(`${scheme}://${location.host}/live?${query}`));
    socket.binaryType = "arraybuffer";
    this.openedMs = performance.now();
    socket.onopen = () => {
      if (this.socket !== socket) return;
      this.isOpen = true;
      this.tries = 0;
      this.goodBye = "";
      this.reason = "";
      this.fastestMs = [Infinity, Infinity];
      this.openedMs = performance.now();
      this.tell("open");
    };
    socket.onmessage = (message) => this.socket === socket && this.receive(message.data);
    socket.onclose = (close) => this.socket === socket && this.closed(close.reason);
  }

  // What was asked and not answered is sent again where the same daemon is at the other end: it does nothing twice. One
  // that was started anew does not know what the one before has done.
  resume(socket, isSame) {
    if (socket !== this.socket || !this.isOpen) return;
    this.isKnown = true;
    for (const [id, request] of this.pending) {
      if (isSame) socket.send(request.packet);
      else this.answered(id, "trimbridge was started anew meanwhile: look whether it was done");
    }
  }

  // Connect anew at once, where somebody is looking and nothing comes.
  again() {
    if (performance.now() - Math.max(this.receivedMs, this.openedMs) < 1000) return;
    this.abandon();
    this.tries = 0;
    this.open();
  }

  abandon() {
    const socket = this.socket;
    this.socket = null;
    this.isOpen = this.isKnown = false;
    socket?.close();
  }

  closed(reason) {
    if (this.isOpen) this.losses++;
    this.socket = null;
    this.isOpen = this.isKnown = false;
    if (reason) this.goodBye = reason;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.open(), WAITS_MS[Math.min(this.tries++, WAITS_MS.length - 1)]);
    this.findCause();
    this.tell("closed");
  }

  // What silence means is found by asking once more: an answer, a refusal at once, or nothing at all.
  async findCause() {
    if (navigator.onLine === false) return void (this.reason = "this screen is in no network");
    if (performance.now() - this.askedMs < ANSWERS_MS) return;
    const begunMs = (this.askedMs = performance.now());
    const asking = new AbortController();
    const timer = setTimeout(() => asking.abort(), ANSWERS_MS);
    let cause;
    try {
      await fetch("/alive", { signal: asking.signal, cache: "no-store" });
      cause = this.isOpen ? "no frames come" : "connecting again";
    } catch {
      if (performance.now() - begunMs < 1000) cause = this.goodBye || "trimbridge does not answer: is it running?";
      // Between two programs of one computer there is no network.
      else if (this.isLocal) cause = "trimbridge does not answer: it hangs, or was paused";
      else cause = "nothing answers: trimbridge hangs, or the network is gone";
    }
    clearTimeout(timer);
    if (this.receivedMs < begunMs) this.reason = cause;
  }

  receive(data) {
    const packet = data instanceof ArrayBuffer ? decode(data) : null;
    if (!packet) return void this.refusedPackets++;
    const nowMs = performance.now();
    const events = [];
    if (packet.seconds > 0) {
      this.frame = frameOf(packet);
      this.receivedMs = nowMs;
      this.reason = "";
      this.noteDelay(nowMs);
      this.tell("frame", this.frame);
    } else events.push(...packet.messages);
    for (const [address, ...values] of events) {
      if (address === "/done") this.answered(values[0], null);
      else if (address === "/refused") this.answered(values[0], values[1]);
      else this.tell(address, ...values);
    }
  }

  // The clocks need not agree: the quickest frame of the last half minute tells how far they are apart.
  noteDelay(nowMs) {
    const delayMs = performance.timeOrigin + nowMs - this.frame.seconds * 1000;
    if (nowMs - this.halfMs > 15000) {
      this.halfMs = nowMs;
      this.fastestMs = [Infinity, this.fastestMs[0]];
    }
    this.fastestMs[0] = Math.min(this.fastestMs[0], delayMs);
    this.delayMs = delayMs;
  }

  get ageS() {
    if (!this.frame) return Infinity;
    const lateMs = this.isLocal ? Math.max(0, this.delayMs) : this.delayMs - Math.min(...this.fastestMs);
    return (performance.now() - this.receivedMs + lateMs) / 1000;
  }

  // How old the newest frame may be before it is the past.
  get staleS() {
    return Math.max(STALE_S, STALE_FRAMES / this.framesPerS);
  }

  // Why nothing is heard of the daemon, so that nothing can be asked of it either; empty when it is heard.
  get silence() {
    if (!this.isOpen) return this.reason || "the connection is gone";
    return performance.now() - this.receivedMs > this.staleS * 1000 ? this.reason || "no frames come" : "";
  }

  // What keeps the picture from being true now; empty when it is.
  get trouble() {
    if (!this.frame) return this.isOpen ? "waiting for the first frame" : this.reason || "no connection";
    if (this.ageS > this.staleS) {
      if (this.silence) return this.silence;
      // Between two programs of one computer there is no network.
      return this.isLocal ? "this computer is too busy: frames come late" : "the network is slow";
    }
    const { source, message } = this.frame.health;
    if (source === "lost") return `the source is lost: ${message || "no samples come"}`;
    return source === "ended" ? "the recording is over" : "";
  }

  attend() {
    const nowMs = performance.now();
    const sinceMs = nowMs - Math.max(this.receivedMs, this.openedMs);
    if (this.isOpen && sinceMs > ASKS * this.staleS * 1000) this.findCause();
    if (this.socket && sinceMs > Math.max(SILENT_S, ASKS * this.staleS) * 1000) {
      if (this.isOpen) this.losses++;
      this.abandon();
      this.closed("");
    }
    for (const [id, request] of this.pending) {
      if (nowMs - request.sentMs < ANSWER_MS) continue;
      if (request.tries >= TRIES) this.answered(id, "no answer came: look whether it was done");
      else {
        request.tries++;
        request.sentMs = nowMs;
        if (this.isKnown) this.socket.send(request.packet);
      }
    }
  }

  // Ask for something; resolves to null when it is done, to the reason when not.
  ask(address, tags, ...values) {
    const id = `${this.pageId}-${++this.count}-${random(4)}`;
    const packet = encode(address, tags + "s", ...values, id);
    return new Promise((resolve) => {
      this.pending.set(id, { packet, resolve, sentMs: performance.now(), tries: 1 });
      if (this.isKnown) this.socket.send(packet);
    });
  }

  say(address, tags, ...values) {
    if (this.isOpen) this.socket.send(encode(address, tags, ...values));
  }

  answered(id, refusal) {
    this.pending.get(id)?.resolve(refusal);
    this.pending.delete(id);
  }
}

const TRACK = /^\/track\/(\d+)\/(vu|deviation|fine|spread|state)$/;
const addresses = new Map();

// Addresses repeat 60 times a second: each is taken apart once.
function partsOf(address) {
  let parts = addresses.get(address);
  if (!parts && addresses.size < 2000) {
    const found = TRACK.exec(address);
    parts = found ? [Number(found[1]), found[2]] : address.slice(1).split("/");
    addresses.set(address, parts);
  }
  return parts ?? [];
}

function frameOf({ seconds, messages }) {
  const frame = { seconds, tone: {}, step: {}, focus: {}, bank: {}, hold: {}, follow: {}, health: {}, tape: {}, practice: {}, tracks: [] };
  const byTrack = new Map();
  for (const [address, value] of messages) {
    const [group, name] = partsOf(address);
    if (typeof group === "number") {
      let track = byTrack.get(group);
      if (!track) {
        byTrack.set(group, (track = { number: group, vu: NaN, deviation: NaN, fine: NaN, spread: NaN, state: "quiet" }));
        frame.tracks.push(track);
      }
      track[name] = value;
    } else if (group in frame) frame[group][name] = value;
  }
  // Seven digits of a 32-bit float: what was 0.1 shall read 0.1.
  for (const name of ["tolerance_db", "speed_ips", "tone_hz", "target_vu", "uncertainty_db"])
    if (Number.isFinite(frame.step[name])) frame.step[name] = Number(frame.step[name].toPrecision(7));
  frame.tracks.sort((one, other) => one.number - other.number);
  return frame;
}

function random(digits) {
  const bytes = crypto.getRandomValues(new Uint8Array(digits / 2));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

export function remembered(key, make, store = sessionStorage) {
  try {
    const found = store.getItem(key);
    if (found !== null) return found;
    const made = make();
    if (made !== null) store.setItem(key, made);
    return made;
  } catch {
    return make(); // a browser that keeps nothing
  }
}
