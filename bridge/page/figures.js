// Figures drawn as strokes: text and a box in, an SVG path out. Drawn rather than set in a typeface, so that they fill
// their box on every screen: as tall as the room allows, and narrower where it is narrow.

// Centre lines in a box of 1 by 1.
const STROKES = {
  0: "M0 .32C0 .11 .2 0 .5 0S1 .11 1 .32V.68C1 .89 .8 1 .5 1S0 .89 0 .68Z",
  1: "M.16 .2L.62 0V1",
  2: "M.02 .27C.03 .1 .22 0 .5 0C.8 0 .98 .11 .98 .28C.98 .44 .84 .53 .55 .69C.22 .86 .04 .9 0 1H1",
  3: "M.03 .2C.1 .07 .27 0 .5 0C.78 0 .95 .1 .95 .25C.95 .4 .75 .47 .42 .47C.8 .47 1 .57 1 .73C1 .9 .8 1 .5 1C.24 1 .06 .93 0 .79",
  4: "M.74 1V0L0 .7H1",
  5: "M.93 0H.16L.08 .47C.2 .39 .35 .36 .52 .36C.82 .36 1 .48 1 .68C1 .88 .8 1 .48 1C.24 1 .06 .93 0 .81",
  6: "M.9 .1C.82 .03 .7 0 .56 0C.2 0 0 .24 0 .62C0 .88 .2 1 .5 1S1 .87 1 .68C1 .48 .8 .38 .52 .38C.25 .38 .04 .48 0 .64",
  7: "M0 0H1C.7 .3 .46 .62 .38 1",
  8: "M.5 .46C.22 .46 .06 .36 .06 .23C.06 .09 .25 0 .5 0S.94 .09 .94 .23C.94 .36 .78 .46 .5 .46C.2 .46 0 .57 0 .73C0 .9 .2 1 .5 1S1 .9 1 .73C1 .57 .8 .46 .5 .46Z",
  9: "M.1 .9C.18 .97 .3 1 .44 1C.8 1 1 .76 1 .38C1 .12 .8 0 .5 0S0 .13 0 .32C0 .52 .2 .62 .48 .62C.75 .62 .96 .52 1 .36",
};

const SLIMMEST = 0.27; // of its height; below that a digit is no longer read from afar
const WIDEST = 0.6;
const GAP = 0.3; // between digits, as a share of a digit and of a stroke

// Returns { path, dots, width, height, stroke } of a text of digits, one sign and one point, in a box in pixels.
export function drawn(text, boxWidth, boxHeight) {
  const digits = [...text].filter((character) => character >= "0" && character <= "9").length;
  const hasSign = /[+−]/.test(text);
  const hasPoint = text.includes(".");
  // The width of the whole, in heights, for digits of a share of their height.
  const wanted = (share) => {
    const stroke = strokeOf(share);
    const gap = GAP * share + stroke;
    return digits * share + (digits - 1) * gap + (hasPoint ? 1.3 * stroke : 0) + (hasSign ? 0.75 * share + gap : 0) + stroke;
  };
  const widths = boxWidth / boxHeight;
  let share = WIDEST;
  while (share > SLIMMEST && wanted(share) > widths) share -= 0.01;
  const height = Math.min(boxHeight, boxWidth / wanted(share));
  const stroke = strokeOf(share) * height;
  const width = share * height;
  const gap = GAP * width + stroke;
  const top = stroke / 2;
  const tall = height - stroke;
  let x = stroke / 2;
  const parts = [];
  const dots = [];
  for (const character of text) {
    if (character === "+" || character === "−") {
      const arm = 0.375 * width;
      const middle = height / 2;
      parts.push(`M${x} ${middle}H${x + 2 * arm}`);
      if (character === "+") parts.push(`M${x + arm} ${middle - arm}V${middle + arm}`);
      x += 2 * arm + gap;
    } else if (character === ".") {
      dots.push([x - gap / 2 + stroke * 0.65, height - stroke * 0.62, stroke * 0.62]);
      x += 1.3 * stroke;
    } else {
      parts.push(placed(STROKES[character], x, top, width, tall));
      x += width + gap;
    }
  }
  return { path: parts.join(""), dots, width: x - gap + stroke / 2, height, stroke };
}

function strokeOf(share) {
  return Math.min(0.145, 0.36 * share);
}

function placed(path, x, y, width, height) {
  let command = "";
  let count = 0;
  return path.replace(/[A-Z]|-?[\d.]+/g, (token) => {
    if (token >= "A") {
      command = token;
      count = 0;
      return token;
    }
    const isX = command === "H" || (command !== "V" && count++ % 2 === 0);
    const value = isX ? x + Number(token) * width : y + Number(token) * height;
    return `${Math.round(value * 10) / 10} `;
  });
}
