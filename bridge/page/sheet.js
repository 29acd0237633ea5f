// The sheet that opens over the page: to choose, to ask, to show. One at a time; Escape and the veil close it.

import { element } from "./elements.js";

class Sheet {
  get dialog() {
    return document.getElementById("sheet");
  }

  get isOpen() {
    return this.dialog.open;
  }

  open(title, parts, label = "Close") {
    const { dialog } = this;
    if (dialog.open) dialog.close();
    const close = element("button", { onclick: () => dialog.close() }, label);
    dialog.replaceChildren(element("h2", {}, title), ...parts, element("div", { class: "bottom" }, close));
    dialog.setAttribute("aria-label", title);
    dialog.onclick = (event) => event.target === dialog && dialog.close();
    dialog.showModal();
    dialog.scrollTop = 0;
    // The event of closing comes later: by then the next sheet may be open.
    return new Promise((resolve) => (dialog.onclose = () => dialog.open || resolve(null)));
  }

  show(title, ...parts) {
    return this.open(title, parts);
  }

  close() {
    if (this.isOpen) this.dialog.close();
  }

  // Resolves to the value that was chosen, to null when none was; ``parts`` are what is to be known before.
  choose(title, choices, width = "9rem", parts = []) {
    let resolve;
    const chosen = new Promise((done) => (resolve = done));
    const buttons = choices.map(({ label, value, small, isNow }) =>
      element(
        "button",
        { "aria-pressed": isNow ? "true" : "false", onclick: () => (resolve(value), this.dialog.close()) },
        element("span", {}, label),
        small ? element("small", {}, element("br"), small) : null,
      ),
    );
    const grid = element("div", { class: "choices" }, ...buttons);
    grid.style.setProperty("--choice", width);
    this.open(title, [...parts, grid]).then(() => resolve(null));
    return chosen;
  }

  // Resolves to a line of text, to null when there is none.
  ask(title, kind, value = "") {
    let resolve;
    const answered = new Promise((done) => (resolve = done));
    const field = element(kind === "note" ? "textarea" : "input", { "aria-label": title, maxlength: kind === "note" ? 400 : 40, rows: 3 });
    field.value = value;
    const done = () => {
      const text = field.value.replace(/\s+/g, " ").trim();
      resolve(text || null);
      this.dialog.close();
    };
    field.addEventListener("keydown", (event) => {
      if (event.key === "Enter") {
        event.preventDefault();
        done();
      }
    });
    this.open(title, [field]).then(() => resolve(null));
    this.dialog.querySelector(".bottom").append(element("button", { onclick: done }, "Write it"));
    field.focus();
    return answered;
  }
}

export const sheet = new Sheet();
