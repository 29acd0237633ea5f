"""Browsers of other engines than Chromium's, each by its own standard door: WebDriver BiDi and W3C WebDriver.

Firefox speaks WebDriver BiDi itself. The engine of Safari is that of WebKitGTK, whose driver speaks W3C WebDriver and
wants a screen: it is given one in memory. For both: an address is opened, scripts are run, an element is pressed with
a pointer as a finger does.
"""

import asyncio
import itertools
import json
import os
import re
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

import aiohttp

DEADLINE_S = 60.0
WIDTH, HEIGHT = 1180, 820
ELEMENT = "element-6066-11e4-a52e-4f735466cecf"
"""What stands for an element in W3C WebDriver (12.1)."""

AROUND = "return [Math.max(0, outerWidth - innerWidth), Math.max(0, outerHeight - innerHeight)]"

MINI_BROWSER = "/usr/lib/{machine}-linux-gnu/webkit2gtk-4.1/MiniBrowser"


class Engine(Protocol):
    """A browser with one page."""

    def go(self, address: str) -> None:
        """Open an address, until it is loaded."""
        ...

    def resize(self, width: int, height: int) -> None:
        """Give the page a screen of so many CSS pixels."""
        ...

    def ask(self, expression: str) -> Any:
        """Return the value of an expression in JavaScript; a promise is waited for."""
        ...

    def press(self, selector: str) -> None:
        """Press the first element that fits, with a pointer."""
        ...

    def complaints(self) -> list[str]:
        """Return what the browser complained of, as far as its door tells."""
        ...


def until(engine: Engine, expression: str, what: str) -> Any:
    """Wait for an expression to become true; return its value."""
    deadline_s = time.monotonic() + DEADLINE_S
    while not (value := engine.ask(expression)):
        assert time.monotonic() < deadline_s, f"{what}; complaints: {engine.complaints()}"
        time.sleep(0.05)
    return value


class Gecko:
    """Firefox over WebDriver BiDi (W3C, "WebDriver BiDi")."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse, runner: asyncio.Runner) -> None:
        self._socket = socket
        self._runner = runner
        self._numbers = itertools.count(1)
        self._said: list[str] = []
        self._do("session.new", capabilities={})
        self._do("session.subscribe", events=["log.entryAdded"])
        self._context = self._do("browsingContext.getTree")["contexts"][0]["context"]
        self.resize(WIDTH, HEIGHT)

    def _do(self, method: str, **parameters: Any) -> Any:
        return self._runner.run(asyncio.wait_for(self._answer(method, parameters), DEADLINE_S))

    async def _answer(self, method: str, parameters: dict[str, Any]) -> Any:
        number = next(self._numbers)
        await self._socket.send_json({"id": number, "method": method, "params": parameters})
        while True:
            heard = await self._socket.receive_json()
            if heard.get("method") == "log.entryAdded" and heard["params"]["level"] in ("error", "warn"):
                self._said.append(str(heard["params"]["text"]))
            if heard.get("id") == number:
                assert heard["type"] == "success", heard
                return heard["result"]

    def go(self, address: str) -> None:
        self._do("browsingContext.navigate", context=self._context, url=address, wait="complete")

    def resize(self, width: int, height: int) -> None:
        self._do("browsingContext.setViewport", context=self._context, viewport={"width": width, "height": height})

    def ask(self, expression: str) -> Any:
        found = self._do(
            "script.evaluate",
            expression=f"(async () => JSON.stringify(await ({expression})))()",
            target={"context": self._context},
            awaitPromise=True,
        )
        assert found["type"] == "success", found
        return json.loads(found["result"].get("value", "null"))

    def press(self, selector: str) -> None:
        nodes = self._do(
            "browsingContext.locateNodes", context=self._context, locator={"type": "css", "value": selector}
        )["nodes"]
        self._do(
            "input.performActions",
            context=self._context,
            actions=[_pressing({"type": "element", "element": {"sharedId": nodes[0]["sharedId"]}})],
        )

    def complaints(self) -> list[str]:
        return list(self._said)


class WebKit:
    """WebKitGTK over W3C WebDriver. It hands on nothing of the console: the page's own list of faults must do."""

    def __init__(self, driver: str, browser: str) -> None:
        self._driver = driver
        options = {"binary": browser, "args": ["--automation"]}
        made = self._call("POST", "", {"capabilities": {"alwaysMatch": {"webkitgtk:browserOptions": options}}})
        self._driver = f"{driver}/{made['sessionId']}"
        self.resize(WIDTH, HEIGHT)

    def _call(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"{self._driver}{path}", data, method=method)
        try:
            with urllib.request.urlopen(request, timeout=DEADLINE_S) as answer:
                return json.load(answer)["value"]
        except urllib.error.HTTPError as refused:
            raise AssertionError(f"{path} {body}: {refused.read().decode()}") from None

    def go(self, address: str) -> None:
        self._call("POST", "/url", {"url": address})

    def resize(self, width: int, height: int) -> None:
        # A window is larger than its page by what stands around it.
        around = self._call("POST", "/execute/sync", {"script": AROUND, "args": []})
        rect = {"width": width + around[0], "height": height + around[1]}
        self._call("POST", "/window/rect", rect)

    def ask(self, expression: str) -> Any:
        script = (
            f"const done = arguments[0]; (async () => JSON.stringify(await ({expression})))()"
            ".then((text) => done(text ?? null), (error) => done({ error: String(error) }));"
        )
        found = self._call("POST", "/execute/async", {"script": script, "args": []})
        assert not isinstance(found, dict), found
        return json.loads(found or "null")

    def press(self, selector: str) -> None:
        found = self._call("POST", "/element", {"using": "css selector", "value": selector})
        self._call("POST", "/actions", {"actions": [_pressing({ELEMENT: found[ELEMENT]})]})

    def complaints(self) -> list[str]:
        return []

    def close(self) -> None:
        self._call("DELETE", "")


def _pressing(origin: dict[str, Any]) -> dict[str, Any]:
    """Return a press in the middle of an element; W3C WebDriver, 15.4.2, and BiDi write it alike."""
    return {
        "type": "pointer",
        "id": "finger",
        "parameters": {"pointerType": "mouse"},
        "actions": [
            {"type": "pointerMove", "x": 0, "y": 0, "origin": origin},
            {"type": "pointerDown", "button": 0},
            {"type": "pointerUp", "button": 0},
        ],
    }


@contextmanager
def gecko(folder: Path) -> Iterator[Engine]:
    """Run Firefox without a screen, in a profile of its own."""
    said = folder / "firefox.out"
    profile = folder / "profile"
    profile.mkdir()
    with said.open("w") as out:
        process = subprocess.Popen(
            ["firefox-esr", "--headless", "--no-remote", "--profile", profile, "--remote-debugging-port", "0"],
            stdout=out, stderr=subprocess.STDOUT, env=_home(folder),
        )  # fmt: skip
        try:
            found = _told(process, said, r"WebDriver BiDi listening on (ws://\S+)")
            with asyncio.Runner() as runner:
                session = runner.run(_session())
                connected = runner.run(session.ws_connect(f"{found}/session", max_msg_size=0))  # type: ignore[arg-type]
                try:
                    yield Gecko(connected, runner)
                finally:
                    runner.run(connected.close())
                    runner.run(session.close())
        finally:
            _end(process)


async def _session() -> aiohttp.ClientSession:
    return aiohttp.ClientSession()


@contextmanager
def webkit(folder: Path) -> Iterator[Engine]:
    """Run WebKitGTK's small browser on a screen in memory."""
    said = folder / "webkit.out"
    reading, writing = os.pipe()
    with said.open("w") as out:
        screen = subprocess.Popen(
            ["Xvfb", "-displayfd", str(writing), "-screen", "0", "2048x1280x24", "-nolisten", "tcp"],
            pass_fds=[writing], stdout=out, stderr=subprocess.STDOUT,
        )  # fmt: skip
        os.close(writing)
        try:
            with os.fdopen(reading) as told:
                display = told.readline().strip()
            port = _free_port()
            environment = _home(folder) | {"DISPLAY": f":{display}", "NO_AT_BRIDGE": "1"}
            driver = subprocess.Popen(
                ["WebKitWebDriver", f"--port={port}"], stdout=out, stderr=subprocess.STDOUT, env=environment
            )
            try:
                address = f"http://127.0.0.1:{port}"
                _answers(driver, f"{address}/status")
                engine = WebKit(f"{address}/session", MINI_BROWSER.format(machine=os.uname().machine))
                yield engine
                engine.close()
            finally:
                _end(driver)
        finally:
            _end(screen)


def _home(folder: Path) -> dict[str, str]:
    """Return an environment in which a browser finds nothing of the user's."""
    home = folder / "home"
    home.mkdir(mode=0o700)
    return {**os.environ, "HOME": str(home), "XDG_RUNTIME_DIR": str(home), "MOZ_CRASHREPORTER_DISABLE": "1"}


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _told(process: subprocess.Popen[bytes], said: Path, pattern: str) -> str:
    deadline_s = time.monotonic() + DEADLINE_S
    while not (found := re.search(pattern, said.read_text(errors="replace"))):
        assert process.poll() is None and time.monotonic() < deadline_s, said.read_text(errors="replace")
        time.sleep(0.05)
    return found[1]


def _answers(process: subprocess.Popen[bytes], address: str) -> None:
    deadline_s = time.monotonic() + DEADLINE_S
    while True:
        try:
            with urllib.request.urlopen(address, timeout=5):
                return
        except OSError:
            assert process.poll() is None and time.monotonic() < deadline_s, "the driver does not answer"
            time.sleep(0.05)


def _end(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(20)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
