// The run: every step with what was found and left, what is missing, and the sum at the end.

import { element } from "../elements.js";
import { decimalsOf, fixedText, hzText, levelText, rangeText, sizeText } from "../scale.js";
import { sheet } from "../sheet.js";
import { stepName } from "../waysback.js";
import { view } from "./prepare.js";

export function runView(app) {
  const { setup } = app;
  const tracks = [...new Set(setup.banks.flatMap((bank) => bank.tracks))].sort((one, other) => one - other);
  const now = app.link.frame?.step.number;
  const rows = setup.steps.map((step) => rowOf(app, step, tracks, now));
  const table = element(
    "table",
    {},
    element("thead", {}, element("tr", {}, ...["State", "Step", "Target", "As found", "As left", "Missing", "Go"].map((name) => element("th", { scope: "col", class: ["Target", "As found", "As left"].includes(name) ? "number" : null }, name)))),
    element("tbody", {}, ...rows),
  );
  return view(app, "The run", summary(app, tracks), element("div", { class: "scroll", tabindex: 0 }, table), practiceSummary(app), finish(app, tracks));
}

function finish(app, tracks) {
  const isOver = !app.log.calibration || app.log.calibration.ended_s;
  if (isOver) return null;
  return element("div", { class: "item" }, element("p", { class: "asked" }, "Is the calibration done?"),
    element("button", { "data-asks": true, disabled: !app.setup.visitor.may_command, onclick: () => askToFinish(app, tracks) }, "Finish it"));
}

// Whoever ends a calibration knows before what it will never have.
async function askToFinish(app, tracks) {
  await app.readLog();
  const { steps } = app.setup;
  const linesOf = (of) => steps.flatMap((step) => {
    const found = of(step);
    return found.length ? [element("li", {}, element("b", {}, `${stepName(steps, step)}: `), found.length === tracks.length ? `all ${tracks.length} tracks` : rangeText(found))] : [];
  });
  const list = (words, of) => {
    const lines = linesOf(of);
    return lines.length ? [element("h3", {}, words), element("ul", {}, ...lines)] : [];
  };
  const missing = list("Without as found and as left", (step) => tracks.filter((track) => !app.trimOf(track, step.number)));
  const turned = list("Turned since they were logged", (step) => tracks.filter((track) => app.trimOf(track, step.number) && app.isTurned(track, step.number)));
  const outside = list("Left outside their tolerance", (step) => outsideOf(trimsOf(app, step, tracks)));
  const isIncomplete = missing.length + turned.length > 0;
  const what = [
    isIncomplete ? "It ends as it is: the log and the report name what is missing, for good." : "Nothing is missing.",
    isIncomplete && !app.link.frame?.hold.on ? "What is right in the step under way and was never touched is logged first." : "",
    "It cannot be resumed, and this cannot be undone. What comes after belongs to a new calibration.",
  ];
  const parts = [...missing, ...turned, ...outside, element("p", { class: "what" }, what.filter(Boolean).join(" "))];
  const sure = await sheet.choose("Finish the calibration?", [{ label: isIncomplete ? "Finish it incomplete" : "Finish it", value: true }, { label: "Not yet", value: null }], "14rem", parts);
  if (sure) app.commands.do("finish the calibration", "/do/finish", "", []);
}

function outsideOf(trims) {
  return trims.filter((trim) => trim.within_tolerance === false).map((trim) => trim.track);
}

function trimsOf(app, step, tracks) {
  return tracks.map((track) => app.trimOf(track, step.number)).filter(Boolean);
}

function rowOf(app, step, tracks, now) {
  const trims = trimsOf(app, step, tracks);
  const missing = tracks.filter((track) => !app.trimOf(track, step.number) || app.isTurned(track, step.number));
  const outside = outsideOf(trims);
  const isDone = missing.length === 0;
  const open = element("button", { "data-asks": true, disabled: !app.setup.visitor.may_command, "aria-label": `Go to step ${step.number}`, onclick: async () => {
    await app.commands.goTo(step);
    app.open("trim");
  } }, step.number === now ? "Here" : "Go");
  return element(
    "tr",
    { "aria-current": step.number === now ? "step" : null },
    element("td", {}, element("span", { class: "mark", "aria-label": isDone ? "done" : trims.length ? "begun" : "to do" }, isDone ? (outside.length ? "!" : "✓") : trims.length ? "◐" : "○")),
    element("td", {}, element("b", {}, `${step.number}  ${step.adjustment}`), element("br"), " ", element("span", { class: "whole" }, `${hzText(step.tone_hz)}, ${step.speed_ips} in/s`)),
    element("td", { class: "number", "data-name": "target" }, ...targetOf(step)),
    element("td", { class: "number", "data-name": "as found" }, spanText(trims, "as_found_db")),
    element("td", { class: "number", "data-name": "as left" }, spanText(trims, "as_left_db"), outside.length ? element("span", {}, element("br"), ` outside: ${rangeText(outside)}`) : null),
    element("td", { "data-name": "missing" }, missing.length === tracks.length ? "all" : missing.length ? rangeText(missing) : "nothing"),
    element("td", { class: "act" }, open),
  );
}

// Bias has no target: it is set by its peak.
function targetOf(step) {
  if (step.adjustment === "bias") return ["its peak"];
  const sure = step.uncertainty_db > 0 ? ` ± ${step.uncertainty_db.toFixed(2)}` : "";
  return [`${fixedText(step.target_vu)}${sure} VU`, element("br"), ` tolerance ${step.tolerance_db} dB`];
}

function spanText(trims, name) {
  const known = trims.filter((trim) => trim[name] !== null).sort((one, other) => one[name] - other[name]);
  if (!known.length) return "–";
  const decimals = Math.min(...known.map((trim) => decimalsOf(trim.resolution_db)));
  const [low, high] = [known[0], known.at(-1)].map((trim) => levelText(trim[name], trim.resolution_db, decimals));
  return low === high ? low : `${low} … ${high}`;
}

function summary(app, tracks) {
  const { steps } = app.setup;
  const wanted = steps.length * tracks.length;
  const done = steps.reduce((sum, step) => sum + trimsOf(app, step, tracks).length, 0);
  const outside = steps.flatMap((step) => outsideOf(trimsOf(app, step, tracks))).length;
  const calibration = app.log.calibration;
  const words = [`${done} of ${wanted} trims are logged`];
  if (outside) words.push(`${outside} outside their tolerance`);
  if (wanted && done === wanted) words.push(outside ? "look at these once more" : "everything is right: take the tape off and store it tails out");
  return element("p", {}, `${words.join("; ")}. ${calibration ? `Calibration ${calibration.id}${calibration.ended_s ? ", finished" : ""}.` : app.log.log === "off" ? "The log is off: nothing is kept." : ""}`);
}

// For an apprentice: how close they came, and how long each trim took. Bias has no target to come close to.
function practiceSummary(app) {
  if (app.setup.source !== "simulated") return null;
  const trims = app.log.trims.filter((trim) => !trim.withdrawn_by && trim.as_left_db !== null && trim.step);
  const judged = trims.filter((trim) => trim.within_tolerance !== null);
  if (!judged.length) return null;
  const nearest = [...judged].sort((one, other) => Math.abs(one.as_left_db) - Math.abs(other.as_left_db));
  const within = (trim) => `${sizeText(trim.as_left_db, trim.resolution_db)} dB`;
  const seconds = trims.map((trim) => trim.seconds).sort((one, other) => one - other);
  const middle = (values) => values[Math.floor(values.length / 2)];
  const isOneOfSeveral = app.setup.steps.some((step) => step.speed_ips !== app.setup.steps[0].speed_ips);
  const head = ["Step", "Track", "Was off by", "Came within", "Took"];
  const rows = trims.map((trim) => element("tr", { "data-practice": trim.id },
    element("td", {}, `${trim.adjustment}, ${hzText(trim.tone_hz)}${isOneOfSeveral ? `, ${trim.speed_ips} in/s` : ""}`),
    element("td", { "data-name": "track" }, String(trim.track)),
    element("td", { class: "number", "data-name": "was off by" }, trim.as_found_db === null ? "?" : `${sizeText(trim.as_found_db, trim.resolution_db)} dB`),
    element("td", { class: "number", "data-name": "came within" }, trim.within_tolerance === null ? "–" : `${within(trim)} ${trim.within_tolerance ? "✓" : "!"}`),
    element("td", { class: "number", "data-name": "took" }, `${trim.seconds.toFixed(0)} s`)));
  return element("section", { class: "practice" }, element("h2", {}, "Practice: how it went"),
    element("p", {}, `Half of your trims came within ${within(middle(nearest))} of the target, the farthest within ${within(nearest.at(-1))}. Half of them took ${middle(seconds).toFixed(0)} s or less, the longest ${seconds.at(-1).toFixed(0)} s. ${judged.filter((trim) => trim.within_tolerance).length} of ${judged.length} are within their tolerance.`),
    element("table", {}, element("thead", {}, element("tr", {}, ...head.map((name, at) => element("th", { scope: "col", class: at > 1 ? "number" : null }, name)))), element("tbody", {}, ...rows)));
}
