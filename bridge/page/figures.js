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

const SLIMMEST = 0.4; // of its height; below that a digit is no longer read from afar
const WIDEST = 0.62;

// Returns { path, dots, width, height, stroke } of a text of digits, one sign and one point, in a box in pixels.
export function drawn(text, boxWidth, boxHeight) {
  const digits = [...text].filter((character) => character >= "0" && character <= "9").length;
  const hasSign = /[+−]/.test(text);
  const hasPoint = text.includes(".");
  // Everything is counted in digit widths: gaps between digits, the sign, the point.
  const wanted = (share) => share * digits + 0.24 * (digits - 1) + (hasPoint ? 0.16 : 0) + (hasSign ? 0.62 : 0) + 0.16;
  const widths = boxWidth / boxHeight;
  const share = Math.min(WIDEST, Math.max(SLIMMEST, (widths - wanted(0)) / Math.max(1, digits)));
  const height = Math.min(boxHeight, boxWidth / wanted(share));
  const stroke = height * 0.145;
  const width = share * height - stroke * 0.4;
  const gap = 0.24 * height;
  const top = stroke / 2;
  const tall = height - stroke;
  let x = stroke / 2;
  const parts = [];
  const dots = [];
  for (const character of text) {
    if (character === "+" || character === "−") {
      const arm = 0.21 * height;
      const middle = height / 2;
      parts.push(`M${x} ${middle}H${x + 2 * arm}`);
      if (character === "+") parts.push(`M${x + arm} ${middle - arm}V${middle + arm}`);
      x += 2 * arm + 0.2 * height;
    } else if (character === ".") {
      x += 0.08 * height - gap / 2 + stroke * 0.28;
      dots.push([x, height - stroke * 0.62, stroke * 0.62]);
      x += 0.08 * height + gap / 2 + stroke * 0.28;
    } else {
      parts.push(placed(STROKES[character], x, top, width, tall));
      x += width + gap;
    }
  }
  return { path: parts.join(""), dots, width: x - gap + stroke / 2, height, stroke };
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
