// The log so far: each trim with its way, notes and events, the newest first.

import { element, svg } from "../elements.js";
import { hzText, levelText, placeOf, textOf } from "../scale.js";
import { clock, view } from "./prepare.js";

// What somebody did; a trim is a trim without a word.
const KIND_WORDS = { undone: "put back", verified: "verified", "by hand": "by hand" };

const trails = new Map(); // by step and revision, so that the log is not read anew for every picture

export function logView(app) {
  const trims = [...app.log.trims].reverse();
  const head = ["At", "Track", "Step", "Found", "Left ± error", "Took", "Way", "Change"].map((name) => element("th", { scope: "col", class: ["Found", "Left ± error", "Took"].includes(name) ? "number" : null }, name));
  const body = element("tbody", {}, ...trims.map((trim) => rowOf(app, trim)));
  const lines = [...app.log.lines].reverse().map((line) => element("tr", {}, element("td", {}, clock(line.at_s)), element("td", {}, line.kind), element("td", {}, line.text)));
  drawTrails(app, body);
  return view(
    app,
    "Log",
    app.log.log === "off" ? element("p", { class: "notice" }, "The log is off: nothing is kept.") : null,
    trims.length ? element("div", { class: "scroll", tabindex: 0 }, element("table", {}, element("thead", {}, element("tr", {}, ...head)), body)) : element("p", {}, "No trim is logged yet."),
    lines.length ? element("section", {}, element("h2", {}, "Notes and events"), element("table", {}, element("tbody", {}, ...lines))) : null,
    element("div", { class: "item" }, element("p", { class: "asked" }, "Something to remember?"), element("button", { "data-asks": true, disabled: !app.setup.visitor.may_command, onclick: () => app.commands.writeNote() }, "Write a note")),
  );
}

function rowOf(app, trim) {
  const [word, address, back] = trim.withdrawn_by ? ["Reinstate", "/do/reinstate", "/do/undo"] : ["Withdraw", "/do/undo", "/do/reinstate"];
  const change = () => app.commands.do(`${word.toLowerCase()} trim of track ${trim.track}`, address, "s", [trim.id], [{ trim: trim.id, track: trim.track, adjustment: trim.adjustment }, back, "s", trim.id]);
  const button = element("button", { "data-asks": true, disabled: !app.setup.visitor.may_command, "aria-label": `${word} trim ${trim.number}`, onclick: change }, word);
  const by = trim.withdrawn_by ? element("span", {}, `withdrawn by ${trim.withdrawn_by} `) : null;
  const [found, left] = [trim.as_found_db, trim.as_left_db].map((db) => levelText(db, trim.resolution_db));
  const kind = KIND_WORDS[trim.kind];
  return element(
    "tr",
    { class: trim.withdrawn_by ? "withdrawn" : "", "data-trim": trim.id, "data-step": trim.step, "data-tolerance": trim.tolerance_db },
    element("td", {}, clock(trim.settled_s)),
    element("td", { "data-name": "track" }, element("b", {}, String(trim.track))),
    element("td", {}, `${trim.adjustment}, `, element("span", { class: "whole" }, hzText(trim.tone_hz)), ...speedOf(app, trim), kind ? element("span", { class: "kind" }, element("br"), ` ${kind}`) : null),
    element("td", { class: "number", "data-name": "found" }, found),
    element("td", { class: "number", "data-name": "left" }, element("b", {}, `${left} ${trim.within_tolerance === null ? "" : trim.within_tolerance ? "✓" : "!"}`), trim.standard_error_db === null ? null : element("span", {}, element("br"), ` ± ${Math.max(trim.standard_error_db, 0.01).toFixed(2)}`)),
    element("td", { class: "number", "data-name": "took" }, `${trim.seconds.toFixed(0)} s`),
    element("td", { class: "way" }, ""),
    element("td", { class: "act" }, by, button),
  );
}

// Where there are several speeds it says at which.
function speedOf(app, trim) {
  const several = [...app.setup.steps, ...app.log.trims].some((one) => one.speed_ips !== trim.speed_ips);
  return several ? [", ", element("span", { class: "whole" }, `${Number(trim.speed_ips.toPrecision(3))} in/s`)] : [];
}

async function drawTrails(app, body) {
  for (const step of new Set(app.log.trims.map((trim) => trim.step))) {
    const key = `${step} ${app.log.revision}`;
    if (!trails.has(key)) {
      try {
        const answer = await fetch(`/trails/${step}.json`, { cache: "no-store" });
        if (!answer.ok) continue;
        if (trails.size > 50) trails.clear();
        trails.set(key, await answer.json());
      } catch {
        continue;
      }
    }
    const ways = trails.get(key);
    for (const row of body.querySelectorAll(`tr[data-step="${step}"]`)) {
      const way = ways[row.dataset.trim];
      if (way?.length > 1) row.querySelector(".way").replaceChildren(picture(way, Number(row.dataset.tolerance)));
    }
  }
}

function picture(way, tolerance) {
  const [width, height] = [144, 42];
  const last = way.at(-1)[0] || 1;
  const first = way[0][0];
  const x = (seconds) => 4 + ((seconds - first) / Math.max(0.001, last - first)) * (width - 12);
  const farthest = Math.max(...way.map(([, db]) => Math.abs(db)));
  const y = (db) => height / 2 - placeOf(db, tolerance, farthest) * (height / 2 - 3);
  const points = way.map(([seconds, db]) => `${x(seconds).toFixed(1)},${y(db).toFixed(1)}`).join(" ");
  return svg(
    "svg",
    { class: "trail", viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `from ${textOf(way[0][1])} to ${textOf(way.at(-1)[1])} dB in ${(last - first).toFixed(0)} s` },
    svg("rect", { class: "zone", x: 0, y: y(tolerance), width, height: y(-tolerance) - y(tolerance) }),
    svg("path", { class: "line", d: `M0 ${y(0)}H${width}` }),
    svg("polyline", { class: "way", points }),
    svg("circle", { class: "end", cx: x(last), cy: y(way.at(-1)[1]), r: 3.5 }),
  );
}
