// The scale of all deviations: what lies within the tolerance always takes the same room, whatever it is in dB, and what
// lies far out is pressed together. So the eye learns one picture for a tolerance of 0.1 dB and for one of 1.5 dB.

const FARTHEST_DB = 12;

// Returns −1…1 for a deviation.
export function placeOf(deviationDb, toleranceDb, farthestDb = FARTHEST_DB) {
  const unit = Math.max(toleranceDb, 0.01);
  const place = Math.asinh(deviationDb / unit) / Math.asinh(Math.max(farthestDb, 4 * unit) / unit);
  return Math.max(-1, Math.min(1, place));
}

// Lines that are worth a label: the tolerance, and round numbers beyond it.
export function marksOf(toleranceDb) {
  return [toleranceDb, ...[0.3, 1, 3, 10].filter((db) => db > toleranceDb * 2)];
}

export function signOf(deviationDb, toleranceDb) {
  if (Number.isNaN(deviationDb)) return "none";
  // What was exactly the tolerance must not become more by its 32 bits.
  if (Math.abs(deviationDb) <= toleranceDb + 1e-6) return "right";
  return deviationDb > 0 ? "high" : "low";
}

// Text of a deviation with three digits at most, which is what can be read from afar.
export function textOf(deviationDb, decimals = 2) {
  const size = Math.abs(deviationDb);
  const shown = size >= 99.95 ? size.toFixed(0) : size >= 9.995 ? size.toFixed(1) : size.toFixed(decimals);
  return `${Number(shown) === 0 ? "" : deviationDb > 0 ? "+" : "−"}${shown}`;
}

// Text of a target, whose uncertainty stands beside it with as many decimals.
export function fixedText(db, decimals = 2) {
  const shown = Math.abs(db).toFixed(decimals);
  return `${Number(shown) === 0 ? "" : db > 0 ? "+" : "−"}${shown}`;
}

// Text of what a trim found or left: a multiple of what its standard error carries, 0.01 dB to 1 dB.
export function levelText(levelDb, resolutionDb = 0.01, decimals = decimalsOf(resolutionDb)) {
  if (levelDb === null) return "?";
  const shown = (Math.round(Math.abs(levelDb) / resolutionDb) * resolutionDb).toFixed(decimals);
  return `${Number(shown) === 0 ? "" : levelDb > 0 ? "+" : "−"}${shown}`;
}

// By how much a trim was left outside its tolerance: it stands behind the level that it was left at.
export function outsideText(leftDb, toleranceDb, resolutionDb = 0.01) {
  const by = sizeText(Math.abs(leftDb) - toleranceDb, resolutionDb);
  return `: outside by ${Number(by) > 0 ? by : `less than ${resolutionDb}`} dB, tolerance ± ${Number(toleranceDb.toPrecision(2))} dB`;
}

export function decimalsOf(resolutionDb) {
  return resolutionDb < 0.1 ? 2 : resolutionDb < 1 ? 1 : 0;
}

export function sizeText(levelDb, resolutionDb) {
  return levelText(levelDb, resolutionDb).replace(/^[+−]/, "");
}

export function hzText(hz) {
  if (!(hz > 0)) return "no tone";
  return hz >= 1000 ? `${Number((hz / 1000).toPrecision(4))} kHz` : `${Number(hz.toPrecision(4))} Hz`;
}

export function timeText(seconds) {
  const whole = Math.max(0, Math.ceil(seconds));
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

// Numbers in their order in few words: 1, 2, 4–16.
export function rangeText(numbers) {
  const runs = [];
  for (const number of numbers) {
    if (runs.at(-1)?.at(-1) === number - 1) runs.at(-1).push(number);
    else runs.push([number]);
  }
  return runs.map((run) => (run.length > 2 ? `${run[0]}–${run.at(-1)}` : run.join(", "))).join(", ");
}
