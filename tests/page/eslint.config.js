// The page against the engines of the last four years: what a browser of late 2022 does not know is a fault.

import css from "@eslint/css";
import compat from "eslint-plugin-compat";
import es from "eslint-plugin-es-x";

const OLDEST = ["chrome >= 108", "edge >= 108", "firefox >= 107", "safari >= 16.1", "ios_saf >= 16.1", "samsung >= 19"];

// A method of an array is called like one of an iterator: there only what is surely an iterator counts.
const language = Object.fromEntries(
  Object.keys(es.configs["flat/restrict-to-es2022"].rules).map((rule) => [rule, rule.includes("iterator-prototype") ? ["error", { aggressive: false }] : "error"]),
);

export default [
  {
    files: ["**/*.js"],
    plugins: { compat, "es-x": es },
    rules: { "compat/compat": "error", ...language },
    // Asked for before it is used: where it is missing, the menu says how to keep the screen awake.
    settings: { browsers: OLDEST, polyfills: ["navigator.wakeLock"], "es-x": { aggressive: true } },
  },
  {
    files: ["**/*.css"],
    plugins: { css },
    language: "css/css",
    // Allowed is what an older browser leaves out without harm, or knows by its prefix, which stands beside it:
    // corners of an outline, the hue of the slider, what a scroll beyond the end moves, text that cannot be selected.
    rules: {
      "css/use-baseline": ["error", { available: 2022, allowProperties: ["accent-color", "outline", "overscroll-behavior", "user-select"] }],
    },
  },
];
