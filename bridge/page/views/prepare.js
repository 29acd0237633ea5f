// Preparation: what is to be confirmed before the first tone and after the last, with the cautions that go with it.

import { element } from "../elements.js";
import { remembered } from "../link.js";
import { sheet } from "../sheet.js";

export function prepareView(app) {
  const { preparation } = app.setup;
  const parts = [];
  for (const when of ["before the first tone", "after the last tone"]) {
    parts.push(element("h2", {}, `${when[0].toUpperCase()}${when.slice(1)}`));
    for (const item of preparation.filter((one) => one.when === when)) parts.push(itemOf(app, item));
  }
  parts.push(element("h2", {}, "Cautions"));
  for (const caution of app.setup.cautions) parts.push(cautionOf(caution));
  parts.push(element("p", {}, "Local rules and the maker's manual go before all of this; work under covers is for licensed hands."));
  return view(app, "Prepare", ...parts);
}

function itemOf(app, item) {
  const confirmed = app.log.confirmations.filter((one) => one.item === item.key).at(-1);
  const missing = item.needs.filter((need) => !app.log.confirmations.some((one) => one.item === need));
  const said = confirmed
    ? element("p", { class: "done" }, `✓ confirmed by ${confirmed.who}, ${clock(confirmed.at_s)}`)
    : missing.length
      ? element("p", {}, `Waits for: ${missing.join(", ")}.`)
      : null;
  const mayCommand = app.setup.visitor.may_command;
  const button = confirmed
    ? element("button", { "data-asks": true, disabled: !mayCommand, onclick: () => takeBack(app, item) }, "Take back")
    : element("button", { "data-asks": true, disabled: !mayCommand || missing.length > 0, onclick: () => confirm(app, item) }, "Yes, it is so");
  const cautions = item.cautions.map((key) => app.setup.cautions.find((one) => one.key === key)).filter(Boolean);
  return element(
    "div",
    { class: "item", "data-item": item.key },
    element("div", {}, element("p", { class: "asked" }, item.question), element("p", {}, item.why), said,
      cautions.length && !confirmed ? element("details", { open: missing.length === 0 }, element("summary", {}, `Cautions: ${cautions.map((one) => one.title).join(", ")}`), ...cautions.map(cautionOf)) : null),
    button,
  );
}

function cautionOf(caution) {
  return element("div", { class: "caution" }, element("h3", {}, `⚠ ${caution.title}`), ...caution.lines.map((line) => element("p", {}, line)), element("small", {}, caution.source));
}

async function whoAmI() {
  const known = remembered("who", () => null, localStorage);
  if (known) return known;
  const who = await sheet.ask("Your name or initials, for the log", "who");
  if (who) remembered("who", () => who, localStorage);
  return who;
}

async function confirm(app, item) {
  const who = await whoAmI();
  if (who) app.commands.do(`confirm ${item.key}`, "/do/confirm", "ss", [item.key, who], [`${item.key}: not so`, "/do/take_back", "ss", item.key, who]);
}

async function takeBack(app, item) {
  const who = await whoAmI();
  if (who) app.commands.do(`take back ${item.key}`, "/do/take_back", "ss", [item.key, who], [`${item.key}: it is so`, "/do/confirm", "ss", item.key, who]);
}

export function clock(seconds) {
  return new Date(seconds * 1000).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
}

export function view(app, title, ...parts) {
  const menu = element("button", { class: "menu", "aria-label": "Menu", onclick: () => app.menu() }, "☰");
  const back = app.layout.views.includes("trim") ? element("button", { onclick: () => app.open("trim") }, "To the meters") : null;
  return element("div", { class: "page", tabindex: 0 }, element("header", {}, menu, element("h1", {}, title), back), ...parts);
}
