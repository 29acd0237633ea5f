"""A browser, and what it looks at."""

import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

from tests.page.rooms import Feeder, PracticeDaemon

HERE = Path(__file__).parent
CHROMIUM = "/usr/bin/chromium"
DEADLINE_MS = 30_000
# Five seconds, which is what it waits by itself, are little on a machine that does something else, too.
expect.set_options(timeout=DEADLINE_MS / 2)

OpenPage = Callable[..., Page]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    # While it is open, an event loop runs in this thread: tests elsewhere that run one of their own could not.
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--autoplay-policy=user-gesture-required"]
        )
        yield started
        started.close()


@pytest.fixture
def open_page(browser: Browser) -> Iterator[OpenPage]:
    """Open an address in a context of its own; the test fails when the page throws."""
    thrown: list[str] = []
    with ExitStack() as stack:

        def open_it(
            address: str, width: int = 1180, height: int = 820, theme: str = "dark", wait: bool = True, **more: object
        ) -> Page:
            context: BrowserContext = browser.new_context(
                viewport={"width": width, "height": height},
                color_scheme=theme,  # type: ignore[arg-type]
                **more,  # type: ignore[arg-type]
            )
            stack.callback(context.close)
            context.set_default_timeout(DEADLINE_MS)
            page = context.new_page()
            page.on("pageerror", lambda error: thrown.append(str(error)))
            page.goto(address)
            if wait:
                page.locator("body[data-painted]").wait_for()
            return page

        yield open_it
    assert thrown == []


@pytest.fixture
def feeder(tmp_path: Path) -> Iterator[Feeder]:
    one = Feeder(tmp_path)
    yield one
    one.close()


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PracticeDaemon]:
    with PracticeDaemon(tmp_path_factory.mktemp("practice")) as one:
        yield one


def node_modules() -> Path:
    """The packages of npm in the versions of the lock file; only tests use them."""
    folder = HERE / "node_modules"
    made = folder / ".package-lock.json"
    lock = HERE / "package-lock.json"
    if not made.exists() or made.stat().st_mtime < lock.stat().st_mtime:
        subprocess.run(["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund"], cwd=HERE, check=True)
        made.touch()
    return folder


@pytest.fixture(scope="session")
def axe() -> str:
    """The script of axe-core."""
    return (node_modules() / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
