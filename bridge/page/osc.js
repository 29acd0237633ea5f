// OSC 1.0 packets: bytes in, messages out, and the reverse. Whatever the bytes are, decode returns something:
// what it cannot read is null.

const text = new TextDecoder("utf-8", { fatal: true });
const bytesOf = new TextEncoder();
const BUNDLE = 0x2362756e646c6500n; // "#bundle" and its zero

// Returns { seconds, messages }: seconds since 1970 of the time tag (0 = now), messages as [address, ...arguments].
export function decode(buffer) {
  try {
    const view = new DataView(buffer);
    const isBundle = view.byteLength >= 16 && view.getBigUint64(0) === BUNDLE;
    const seconds = isBundle ? secondsOf(view.getUint32(8), view.getUint32(12)) : 0;
    const messages = [];
    readElement(view, 0, view.byteLength, messages, 0);
    return { seconds, messages };
  } catch {
    return null;
  }
}

function readElement(view, start, end, into, depth) {
  if (end - start < 4 || (end - start) % 4 || depth > 4) throw new RangeError("element");
  if (view.getUint8(start) !== 0x23) return void into.push(readMessage(view, start, end));
  if (end - start < 16 || view.getBigUint64(start) !== BUNDLE) throw new RangeError("bundle");
  for (let at = start + 16; at < end; ) {
    const size = view.getInt32(at);
    if (size <= 0 || at + 4 + size > end) throw new RangeError("size");
    readElement(view, at + 4, at + 4 + size, into, depth + 1);
    at += 4 + size;
  }
}

// Where the message that is being read goes on; one message at a time.
let at = 0;

function readMessage(view, start, end) {
  at = start;
  const address = readString(view, end);
  const tags = readString(view, end);
  if (address[0] !== "/" || tags[0] !== ",") throw new RangeError("address");
  const message = [address];
  for (let place = 1; place < tags.length; place++) message.push(readArgument(view, end, tags[place]));
  if (at !== end) throw new RangeError("rest");
  return message;
}

function readArgument(view, end, tag) {
  switch (tag) {
    case "f": return view.getFloat32(taken(4, end));
    case "i": return view.getInt32(taken(4, end));
    case "s": return readString(view, end);
    case "T": return true;
    case "F": return false;
    case "N": case "I": return null;
    case "h": return Number(view.getBigInt64(taken(8, end)));
    case "d": return view.getFloat64(taken(8, end));
    case "t": return Number(view.getBigUint64(taken(8, end)));
    case "b": {
      const size = view.getInt32(taken(4, end));
      if (size < 0) throw new RangeError("blob");
      return new Uint8Array(view.buffer, view.byteOffset + taken((size + 3) & ~3, end), size).slice();
    }
    default: throw new RangeError("tag");
  }
}

function taken(bytes, end) {
  if (at + bytes > end) throw new RangeError("argument");
  return (at += bytes) - bytes;
}

// Strings come again 60 times a second. Those that were read once are found by their words of four bytes, one step a
// word, so that each is taken apart and made only once.
const MOST_WORDS = 8000;
const root = new Map();
let words = 0;

function readString(view, end) {
  let node = root;
  for (let place = at; node instanceof Map && place + 4 <= end; place += 4) {
    node = node.get(view.getInt32(place));
    if (typeof node === "string") {
      at = place + 4;
      return node;
    }
  }
  const start = at;
  const read = readNewString(view, end);
  if (words < MOST_WORDS) remember(view, start, read);
  return read;
}

function readNewString(view, end) {
  let stop = at;
  while (stop < end && view.getUint8(stop)) stop++;
  if (stop >= end) throw new RangeError("string");
  const found = text.decode(new Uint8Array(view.buffer, view.byteOffset + at, stop - at));
  const next = at + ((stop - at + 4) & ~3);
  for (let pad = stop; pad < next; pad++) if (pad >= end || view.getUint8(pad)) throw new RangeError("padding");
  at = next;
  return found;
}

function remember(view, start, read) {
  let node = root;
  for (let place = start; place < at - 4; place += 4) {
    const word = view.getInt32(place);
    let next = node.get(word);
    if (!next) {
      node.set(word, (next = new Map()));
      words++;
    }
    node = next;
  }
  node.set(view.getInt32(at - 4), read);
  words++;
}

// NTP counts seconds from 1900; its eras wrap in 2036 (RFC 5905, 6).
function secondsOf(whole, fraction) {
  if (whole === 0 && fraction <= 1) return 0;
  const since = whole - 2208988800;
  return (since < 0 ? since + 2 ** 32 : since) + fraction / 2 ** 32;
}

// Writes one message; tags are those of OSC, an argument for each but T and F.
export function encode(address, tags, ...values) {
  const parts = [padded(address), padded("," + tags)];
  const rest = [...values];
  for (const tag of tags) {
    if (tag === "T" || tag === "F") continue;
    const value = rest.shift();
    if (tag === "s") parts.push(padded(value));
    else {
      const number = new DataView(new ArrayBuffer(4));
      if (tag === "i") number.setInt32(0, value);
      else number.setFloat32(0, value);
      parts.push(new Uint8Array(number.buffer));
    }
  }
  const packet = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  parts.reduce((at, part) => (packet.set(part, at), at + part.length), 0);
  return packet;
}

function padded(string) {
  const bytes = bytesOf.encode(string);
  const whole = new Uint8Array(bytes.length + 4 - (bytes.length % 4));
  whole.set(bytes);
  return whole;
}
