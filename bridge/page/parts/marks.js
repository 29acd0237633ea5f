// The marks that stand for a track everywhere: a wedge that points to the target from outside the tolerance, a diamond
// within it, a bar where that is not sure yet, a dot where there is no target.

export function mark(context, sign, x, y, size) {
  context.beginPath();
  if (sign === "right") {
    context.moveTo(x, y - size);
    context.lineTo(x + size, y);
    context.lineTo(x, y + size);
    context.lineTo(x - size, y);
  } else if (sign === "unsure") {
    context.rect(x - size, y - size * 0.2, size * 2, size * 0.4);
  } else if (sign === "peak") {
    context.arc(x, y, size * 0.7, 0, 2 * Math.PI);
  } else {
    const down = sign === "high" ? 1 : -1;
    context.moveTo(x, y + down * size * 0.9);
    context.lineTo(x - size, y - down * size * 0.8);
    context.lineTo(x + size, y - down * size * 0.8);
  }
  context.closePath();
  context.fill();
}

export function line(context, x1, y1, x2, y2) {
  context.beginPath();
  context.moveTo(x1, y1);
  context.lineTo(x2, y2);
  context.stroke();
}

// The target is known to so much only: a bar across its line, with ends, as far as it may lie to either side.
export function uncertaintyBar(context, x, y, uncertaintyDb, half, colour) {
  if (!(uncertaintyDb > 0)) return;
  const [top, bottom] = [y(uncertaintyDb), y(-uncertaintyDb)];
  context.strokeStyle = colour;
  context.lineWidth = 2;
  line(context, x, top, x, bottom);
  line(context, x - half, top, x + half, top);
  line(context, x - half, bottom, x + half, bottom);
}

export function colourOf(sign, colours) {
  return sign === "high" || sign === "low" ? colours[sign] : colours.ink;
}

// It is right and waits until it has settled and is logged: two triangles, one running into the other.
export function hourglass(context, x, y, size) {
  const [half, wide] = [size * 0.55, size * 0.42];
  context.beginPath();
  context.moveTo(x - wide, y - half);
  context.lineTo(x + wide, y - half);
  context.lineTo(x - wide, y + half);
  context.lineTo(x + wide, y + half);
  context.closePath();
  context.fill();
}
