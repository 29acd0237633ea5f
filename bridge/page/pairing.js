// Pairing: the code from the scanned address or from a hand in; a cookie that lets this screen command out.

export async function pair(code) {
  const answer = await fetch("/pair", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ code }),
  });
  if (answer.ok) return "";
  try {
    return (await answer.json()).reason;
  } catch {
    return `trimbridge answered ${answer.status}`;
  }
}

// The code of a scanned address stands behind its #. It is taken out before the browser remembers the address.
export async function pairFromAddress() {
  const found = /^#code=([^&]{1,64})$/.exec(location.hash);
  if (!found) return;
  history.replaceState(null, "", location.pathname + location.search);
  try {
    await pair(decodeURIComponent(found[1]));
  } catch {
    // The page says that it only watches; the menu lets the code be typed.
  }
}
