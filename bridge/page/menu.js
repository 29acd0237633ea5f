// The menu: views, sound, theme, layouts, other screens and pairing, keys, practice.

import { element } from "./elements.js";
import { table } from "./commands.js";
import { pair } from "./pairing.js";
import { hzText } from "./scale.js";
import { sheet } from "./sheet.js";

const FOREIGN_WORDS = { announcement: "a voice", sweep: "a sweep", noise: "noise" };
const VIEW_WORDS = { trim: "Trim", prepare: "Prepare", run: "The run", log: "Log" };

export function openMenu(app) {
  const { setup } = app;
  const go = (action) => () => {
    sheet.close();
    action();
  };
  const choice = (label, action, isNow = false) =>
    element("button", { "aria-pressed": isNow ? "true" : "false", onclick: go(action) }, label);
  const parts = [choices(app.layout.views.map((name) => choice(VIEW_WORDS[name], () => app.open(name), name === app.viewName)))];
  parts.push(element("h3", {}, "When another tone plays"), choices([
    choice("Follow the tape", () => app.commands.follow(true), !app.commands.isStaying),
    choice("Stay at the step", () => app.commands.follow(false), app.commands.isStaying),
  ]));
  if (setup.source === "simulated") parts.push(element("h3", {}, "Practice"), choices([
    choice(app.trimmers?.isOpen ? "Hide the trimmers" : "Show the trimmers", () => app.toggleTrimmers()),
    ...[...new Set(setup.steps.map((step) => step.tone_hz))].map((hz) => choice(`Wind to ${hzText(hz)}`, () => app.commands.do(`wind to ${hzText(hz)}`, "/practice/tone", "f", [hz]))),
    ...[-1, 1, 0].map((db) => choice(db ? `All tracks ${db < 0 ? "−" : "+"}1 dB` : "All tracks as they were", () => app.commands.do(`all tracks ${db ? `${db < 0 ? "−" : "+"}1 dB` : "as they were"}`, "/practice/playback_level", "f", [db]))),
    choice(`Foreign tone ${hzText(foreignHz(setup))}`, () => app.commands.do("foreign tone", "/practice/foreign_tone", "f", [foreignHz(setup)])),
    ...Object.entries(FOREIGN_WORDS).map(([what, words]) => choice(`Play ${words}`, () => app.commands.do(`play ${words}`, "/practice/foreign", "s", [what]))),
    ...["repro", "sync"].map((path) => choice(`Switch to ${path}`, () => app.commands.do(`switch to ${path}`, "/practice/path", "s", [path]))),
  ]));
  parts.push(element("h3", {}, "This screen"), choices([
    choice("Dark", () => app.setTheme("dark"), app.theme === "dark"),
    choice("Light", () => app.setTheme("light"), app.theme === "light"),
    choice("As the tablet", () => app.setTheme("auto"), app.theme === "auto"),
    choice(app.sound.isOn ? "Sound off" : "Sound on", () => app.sound.toggle(), app.sound.isOn),
    choice("Keys and pedal", () => app.commands.showKeys()),
    choice("Keep it awake", () => showAwake()),
    choice("What went wrong", () => showHealth(app)),
  ]));
  parts.push(loudness(app));
  parts.push(element("h3", {}, "Layout"), choices(Object.entries(setup.layouts).map(([name, layout]) => choice(layout.title, () => location.assign(`/${name}${location.search}`), name === app.layoutName))));
  parts.push(element("h3", {}, "Who may command"), element("p", {}, setup.visitor.may_command ? "This screen may command." : `${setup.visitor.why_not}.`));
  const doors = [];
  if (setup.visitor.can_pair && !setup.visitor.may_command) doors.push(choice("Type the pairing code", () => typeCode(app)));
  if (setup.visitor.is_local) doors.push(choice("Screens", () => showLinks(app)));
  if (!app.search.has("watch")) doors.push(choice("Only watch from here", () => location.assign(`${location.pathname}?watch`)));
  parts.push(choices(doors));
  sheet.show(setup.machine.name, ...parts);
}

// A tone that no step wants, far enough from each to be mistaken for none; nor is it half of one, or twice.
function foreignHz(setup) {
  const isFar = (hz) => setup.steps.every((step) => [0.5, 1, 2].every((times) => Math.abs(Math.log(hz / (step.tone_hz * times))) > 0.1));
  return [3150, 440, 2300, 5600].find(isFar) ?? 3150;
}

function choices(buttons) {
  return element("div", { class: "choices" }, ...buttons);
}

function loudness(app) {
  const slider = element("input", { type: "range", id: "loudness", min: 0, max: 1, step: 0.05, value: app.sound.volume });
  slider.addEventListener("input", () => (app.sound.volume = Number(slider.value)));
  return element("div", {}, element("label", { for: "loudness" }, "Loudness of the sound"), slider);
}

async function typeCode(app) {
  const code = await sheet.ask("Pairing code", "code");
  if (!code) return;
  let refusal;
  try {
    refusal = await pair(code);
  } catch {
    refusal = "no connection";
  }
  if (refusal) app.say(refusal, true);
  else location.reload();
}

async function showLinks(app) {
  const { code, links, screens } = await (await fetch("/links.json", { cache: "no-store" })).json();
  const parts = links.map(({ interface: name, address, image }) =>
    element("div", {}, element("h3", {}, `${name}: ${address}`), element("img", { src: image, alt: `Code to scan for ${address}`, width: 320, height: 320 })));
  if (!links.length) parts.push(element("p", {}, 'The page is served to this computer alone. Start with --lan, or set listen = "0.0.0.0" under [page].'));
  else {
    parts.push(element("h3", {}, "Only to watch"), element("p", {}, `For a guest or a wall: ${links.map(({ address }) => `${address}?watch`).join(", ")}. Whoever opens it sees everything and can do nothing, paired or not.`));
    parts.unshift(element("p", {}, `Scan a code with the tablet: it may command then. Or open the address and type the pairing code ${code}. Without the code a screen only watches.`));
    if (!app.setup.visitor.is_encrypted)
      parts.push(element("p", { class: "caution" }, "This is plain http. The code keeps guests and mistaken hands away from the commands. It does not keep away somebody who can read the traffic of this network: they see everything, and can command as a paired screen does. For that, use a network of your own, or https with your own certificate ([page] certificate)."));
  }
  if (links.length) parts.push(element("h3", {}, "Screens that may command"), ...pairedScreens(app, screens));
  sheet.show("Screens", ...parts);
}

function pairedScreens(app, screens) {
  if (!screens.length) return [element("p", {}, "None but this computer.")];
  const day = (seconds) => new Date(seconds * 1000).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
  const forget = async (id) => {
    const answer = await fetch("/forget", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ id }) });
    if (answer.ok) app.say("the screen is forgotten", false);
    else app.say((await answer.json()).reason, true);
    showLinks(app);
  };
  const rows = screens.map(({ id, host, what, paired_s: pairedS, seen_s: seenS }) => element("div", { class: "item", "data-screen": id },
    element("div", {}, element("p", { class: "asked" }, `${deviceOf(what)} at ${host}`), element("p", {}, `paired ${day(pairedS)}, last here ${day(seenS)}`)),
    element("button", { "aria-label": `Forget ${deviceOf(what)} at ${host}`, onclick: () => forget(id) }, "Forget")));
  if (screens.length > 1) rows.push(element("div", { class: "choices" }, element("button", { onclick: () => forget("") }, "Forget all")));
  return [element("p", {}, "A screen stays paired for 30 days after its last visit, also when trimbridge is started anew."), ...rows];
}

// What stands in the first brackets is the device, whichever browser it is.
function deviceOf(what) {
  return /\(([^;)]+)/.exec(what)?.[1] ?? "screen";
}

const HEALTH_WORDS = {
  overruns: "samples came faster than they were read", lost_frames: "samples of each input that were lost", source_losses: "the source went away",
  refused_packets: "packets that were refused", declined_commands: "commands that could not be done", refused_trims: "trims that could not be written",
  dropped_packets: "packets that were lost on the way", lost_connections: "screens and programs that went away without a good-bye or were cut off", midi_losses: "a MIDI port went away", clock_steps: "the computer's clock was set",
};

// Everything that was counted since the daemon was started, and what this page counts itself.
function showHealth(app) {
  const { link, faults } = app;
  const { health } = link.frame ?? { health: {} };
  const counts = Object.entries(HEALTH_WORDS).map(([name, words]) => [words, String(health[name] ?? "?")]);
  const now = app.trouble || health.message || "nothing";
  sheet.show("What went wrong", element("p", {}, `Now: ${now}.`), table([...counts,
    ["packets that this page could not read", String(link.refusedPackets)], ["connections of this page that were lost", String(link.losses)], ["faults of this page", String(faults.length)]]),
    ...faults.map((fault) => element("p", {}, fault)));
}

function showAwake() {
  sheet.show("Keep the screen awake", element("p", {}, globalThis.isSecureContext
    ? "While it is in sight, this page asks the tablet to stay awake. A tablet that saves its battery may refuse: plug it in."
    : "Over plain http a page cannot keep a tablet awake. Set its display to stay on (display settings, auto-lock or screen timeout: never), and plug it in."));
}
