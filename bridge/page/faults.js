// What goes wrong in the page itself: errors of the browser in; a short list, and who wants to know told, out.
// Imported first, so that nothing that follows fails unseen.

const MOST = 20; // a fault of every picture is one fault

export const faults = [];
const listeners = [];

export function onFault(listener) {
  listeners.push(listener);
  for (const fault of faults) listener(fault);
}

export function noteFault(text) {
  if (faults.includes(text) || faults.length >= MOST) return;
  faults.push(text);
  for (const listener of listeners) listener(text);
}

addEventListener("error", (event) => noteFault(event.message || "something could not be loaded"));
addEventListener("unhandledrejection", (event) => noteFault(String(event.reason?.message ?? event.reason)));
addEventListener("securitypolicyviolation", (event) => noteFault(`not allowed: ${event.blockedURI} (${event.violatedDirective})`));
