"""Who may look, who may command: other sites, pairing, the link that only watches."""

import base64
import hashlib
import subprocess
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Error, expect

from bridge.procedure.commands import NextStep
from tests.page.conftest import CHROMIUM, OpenPage
from tests.page.rooms import Feeder, reading

CODE = "482913"


class _ForeignSite(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(b"<!doctype html><title>a foreign site</title>")

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def foreign_site() -> Iterator[str]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), _ForeignSite)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}/"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Feeder]:
    """A page that is served to the network, and for which this browser is not of this computer."""
    monkeypatch.setattr("bridge.control.page.is_loopback", lambda _host: False)
    monkeypatch.setattr("bridge.sinks.tablet.routes.is_loopback", lambda _host: False)
    one = Feeder(tmp_path, f'listen = "0.0.0.0"\npairing_code = "{CODE}"')
    one.show([reading(1, 0.5), reading(2)], focus=1)
    yield one
    one.close()


def test_a_page_from_another_site_gets_nothing(feeder: Feeder, open_page: OpenPage, foreign_site: str) -> None:
    feeder.show([reading(1)], focus=1)
    page = open_page(foreign_site, wait=False)
    tried = page.evaluate(
        """async (port) => {
          const out = {};
          out.socket = await new Promise((done) => {
            const socket = new WebSocket(`ws://127.0.0.1:${port}/live`);
            socket.onopen = () => done("open"); socket.onerror = () => done("refused"); });
          const fetched = (path, more) => fetch(`http://127.0.0.1:${port}${path}`, more)
            .then((answer) => answer.type === "opaque" ? "unreadable" : answer.status, () => "blocked");
          out.log = await fetched("/log.json");
          out.script = await import(`http://127.0.0.1:${port}/page/osc.js`).then(() => "loaded", () => "blocked");
          out.pair = await fetched("/pair", { method: "POST", mode: "no-cors", body: '{"code": "1"}' });
          const frame = document.createElement("iframe");
          frame.src = `http://127.0.0.1:${port}/`;
          document.body.append(frame);
          await new Promise((done) => (frame.onload = done));
          try { out.frame = frame.contentDocument ? "readable" : "blocked"; } catch { out.frame = "blocked"; }
          return out;
        }""",
        feeder.port,
    )
    assert tried["socket"] == "refused"
    assert tried["log"] == "blocked"
    assert tried["script"] == "blocked"
    assert tried["frame"] == "blocked"
    assert feeder.requests == []


def test_from_the_network_one_watches_until_paired(network: Feeder, open_page: OpenPage) -> None:
    page = open_page(network.address)
    expect(page.locator(".figure .number")).to_have_attribute("data-text", "+0.50")
    expect(page.locator(".status .role")).to_have_text("only watches")
    expect(page.locator("[data-command=next]")).to_be_disabled()
    # What the page does not offer, the daemon does not do.
    assert page.evaluate("trimbridge.link.ask('/do/next', '')") == "this screen is not paired: it only watches"
    assert network.requests == []
    page.get_by_role("button", name="Menu").click()
    page.locator("dialog").get_by_role("button", name="Type the pairing code").click()
    page.locator("dialog input").fill("111111")
    page.keyboard.press("Enter")
    expect(page.locator(".progress .said")).to_have_text("wrong pairing code")
    page.get_by_role("button", name="Menu").click()
    page.locator("dialog").get_by_role("button", name="Type the pairing code").click()
    page.locator("dialog input").fill(CODE)
    page.keyboard.press("Enter")
    expect(page.locator("[data-command=next]")).to_be_enabled()
    expect(page.locator(".status .role")).to_have_text("may command")
    page.locator("[data-command=next]").click()
    expect(page.locator(".progress .said")).to_have_text("now at the next step")
    assert [type(request.command) for request in network.requests] == [NextStep]


def test_the_page_lives_over_https_with_a_certificate_of_ones_own(
    browser: Browser, open_page: OpenPage, tmp_path: Path
) -> None:
    certificate, key = tmp_path / "page.pem", tmp_path / "page-key.pem"

    def openssl(*words: str) -> bytes:
        return subprocess.run(["openssl", *words], check=True, capture_output=True, timeout=60).stdout

    openssl("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
            "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
            "-keyout", str(key), "-out", str(certificate))  # fmt: skip
    public_key = openssl("pkey", "-in", str(key), "-pubout", "-outform", "DER")
    trusted = base64.b64encode(hashlib.sha256(public_key).digest()).decode()
    feeder = Feeder(tmp_path, f'certificate = "{certificate}"\ncertificate_key = "{key}"')
    try:
        feeder.show([reading(1, 0.5)], focus=1)
        assert feeder.address.startswith("https://127.0.0.1:")
        # Nobody is let in by a certificate that the browser has not been told to trust.
        with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
            open_page(feeder.address, wait=False)
        trusting = browser.browser_type.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", f"--ignore-certificate-errors-spki-list={trusted}"],
        )
        try:
            page = trusting.new_page()
            page.goto(feeder.address)
            expect(page.locator(".figure .number")).to_have_attribute("data-text", "+0.50", timeout=30_000)
            expect(page.locator("#band")).to_be_hidden()
            assert page.evaluate("[isSecureContext, new URL(trimbridge.link.socket.url).protocol]") == [True, "wss:"]
            page.locator("[data-command=next]").click()
            expect(page.locator(".progress .said")).to_have_text("now at the next step")
            assert [type(request.command) for request in feeder.requests] == [NextStep]
        finally:
            trusting.close()
    finally:
        feeder.close()


def test_a_scanned_code_pairs_and_leaves_no_trace(network: Feeder, open_page: OpenPage) -> None:
    page = open_page(f"{network.address}#code={CODE}")
    expect(page.locator("[data-command=next]")).to_be_enabled()
    assert CODE not in page.url
    assert page.evaluate("history.length") <= 2
    # The token is out of reach of scripts, and survives a reload.
    assert page.evaluate("document.cookie") == ""
    page.reload()
    expect(page.locator("[data-command=next]")).to_be_enabled()


def test_a_link_that_only_watches_does_so_even_when_paired(network: Feeder, open_page: OpenPage) -> None:
    page = open_page(f"{network.address}#code={CODE}")
    expect(page.locator("[data-command=next]")).to_be_enabled()
    page.goto(f"{network.address}?watch")
    expect(page.locator(".status .role")).to_have_text("only watches")
    assert page.evaluate("trimbridge.link.ask('/do/next', '')") == "this link only watches"
    assert network.requests == []


def test_the_local_page_shows_a_code_to_scan_for_each_interface(tmp_path: Path, open_page: OpenPage) -> None:
    feeder = Feeder(tmp_path, f'listen = "0.0.0.0"\npairing_code = "{CODE}"')
    try:
        feeder.show([reading(1)], focus=1)
        page = open_page(feeder.address)
        links = feeder.page.links.links()
        page.get_by_role("button", name="Menu").click()
        page.locator("dialog").get_by_role("button", name="Screens").click()
        expect(page.locator("dialog h2")).to_have_text("Screens")
        expect(page.locator("dialog img")).to_have_count(len(links))
        if links:
            expect(page.locator("dialog")).to_contain_text(CODE)
            expect(page.locator("dialog")).to_contain_text("plain http")
            expect(page.locator("dialog")).to_contain_text(f"{links[0].address}?watch")
            for image in page.locator("dialog img").all():
                expect(image).to_have_js_property("complete", True)
                assert image.evaluate("(one) => one.naturalWidth") > 100
    finally:
        feeder.close()


def test_a_paired_screen_is_forgotten_at_the_computer_itself(tmp_path: Path, open_page: OpenPage) -> None:
    feeder = Feeder(tmp_path, f'listen = "0.0.0.0"\npairing_code = "{CODE}"')
    try:
        feeder.show([reading(1)], focus=1)
        control = feeder.page._control
        for what in ("Mozilla/5.0 (Invented tablet; X)", "Mozilla/5.0 (Invented phone; X)"):
            token, refused = control.pair("198.51.100.7", what, CODE, time.monotonic())
            assert refused == ""
        page = open_page(feeder.address)
        page.get_by_role("button", name="Menu").click()
        page.locator("dialog").get_by_role("button", name="Screens").click()
        expect(page.locator("[data-screen]")).to_have_count(2)
        page.get_by_role("button", name="Forget Invented phone at 198.51.100.7").click()
        expect(page.locator("[data-screen]")).to_have_count(1)
        expect(page.locator("[data-screen]")).to_contain_text("Invented tablet at 198.51.100.7")
        assert control.refusal("198.51.100.7", token, watches_only=False) is not None
    finally:
        feeder.close()
