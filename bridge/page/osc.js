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

function readMessage(view, start, end) {
  let at = start;
  const string = () => {
    let stop = at;
    while (stop < end && view.getUint8(stop)) stop++;
    if (stop >= end) throw new RangeError("string");
    const found = text.decode(new Uint8Array(view.buffer, view.byteOffset + at, stop - at));
    for (at = stop; at < ((stop - start + 4) & ~3) + start; at++) if (view.getUint8(at)) throw new RangeError("padding");
    return found;
  };
  const take = (bytes) => {
    if (at + bytes > end) throw new RangeError("argument");
    return (at += bytes) - bytes;
  };
  const readers = {
    i: () => view.getInt32(take(4)),
    f: () => view.getFloat32(take(4)),
    h: () => Number(view.getBigInt64(take(8))),
    d: () => view.getFloat64(take(8)),
    t: () => Number(view.getBigUint64(take(8))),
    s: string,
    b: () => {
      const size = view.getInt32(take(4));
      if (size < 0) throw new RangeError("blob");
      return new Uint8Array(view.buffer, view.byteOffset + take((size + 3) & ~3), size).slice();
    },
    T: () => true,
    F: () => false,
    N: () => null,
    I: () => null,
  };
  const address = string();
  const tags = string();
  if (address[0] !== "/" || tags[0] !== ",") throw new RangeError("address");
  const message = [address];
  for (const tag of tags.slice(1)) message.push(readers[tag]());
  if (at !== end) throw new RangeError("rest");
  return message;
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
