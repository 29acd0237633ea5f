"""The daemon behind an open page is killed and started anew, or paused: the page says so, and mistakes neither."""

import signal
import socket
import sqlite3
import time
from contextlib import closing
from pathlib import Path

from playwright.sync_api import Page, expect

from tests.page.conftest import OpenPage
from tests.page.rooms import PRACTICE, PracticeDaemon
from tests.page.test_commands import ask, heard


def free_tcp_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def log_track_3(page: Page) -> None:
    """Ask for it until the track has been steady for long enough."""
    heard(page)
    deadline_s = time.monotonic() + 60
    while refusal := ask(page, "/do/log", "i", 3):
        assert time.monotonic() < deadline_s, refusal
        page.wait_for_timeout(200)


def test_undo_does_not_reach_into_the_calibration_before(tmp_path: Path, open_page: OpenPage) -> None:
    port = free_tcp_port()
    with PracticeDaemon(tmp_path, PRACTICE, port=port) as first:
        page = open_page(first.address)
        log_track_3(page)
        undo = page.locator("[data-command=undo]")
        expect(undo).to_contain_text("track 3")
        expect(page.locator(".progress")).to_contain_text("1 of 8 logged")
        page.evaluate("trimbridge.say('track 3 logged', false)")
        first.stop(signal.SIGKILL)
    expect(page.locator("#band")).to_contain_text("not live")
    expect(undo).to_have_attribute("aria-disabled", "true")
    with PracticeDaemon(tmp_path, PRACTICE, port=port, words=["--new"]) as second:
        expect(page.locator("#band")).to_be_hidden(timeout=30_000)
        expect(page.locator(".progress")).to_contain_text("0 of 8 logged")
        expect(undo).to_be_disabled()
        expect(undo).not_to_contain_text("track 3")
        expect(page.locator(".progress .said")).not_to_contain_text("track 3")
        page.keyboard.press("u")
        expect(page.locator(".progress .said")).to_have_text("there is nothing to undo")
        assert second.stop(signal.SIGTERM) == 0
    with closing(sqlite3.connect(tmp_path / "practice.db")) as log:
        assert log.execute("SELECT count(*) FROM trims").fetchone() == (1,)
        assert log.execute("SELECT count(*) FROM withdrawals").fetchone() == (0,)
        assert log.execute("SELECT count(*) FROM calibrations").fetchone() == (2,)


def test_where_a_calibration_goes_on_after_a_crash_is_said(tmp_path: Path, open_page: OpenPage) -> None:
    port = free_tcp_port()
    with PracticeDaemon(tmp_path, PRACTICE, port=port) as first:
        page = open_page(first.address)
        log_track_3(page)
        assert ask(page, "/do/step", "i", 3) is None
        expect(page.locator(".step .name")).to_contain_text("sync level")
        first.stop(signal.SIGKILL)
    expect(page.locator("#band")).to_contain_text("not live")
    with PracticeDaemon(tmp_path, PRACTICE, port=port):
        said = page.locator(".progress .said")
        expect(said).to_contain_text("resumed: calibration ", timeout=30_000)
        expect(said).to_contain_text(
            "of Lantern Street practice room (simulated), 1 trim in the log, step 3: sync level at 1000 Hz"
        )


def test_undo_ends_with_the_calibration(tmp_path: Path, open_page: OpenPage) -> None:
    with PracticeDaemon(tmp_path, PRACTICE) as daemon:
        page = open_page(daemon.address)
        undo = page.locator("[data-command=undo]")
        page.locator("[data-command=next]").click()
        expect(undo).to_contain_text("back to repro level")
        assert ask(page, "/do/finish", "") is None
        expect(undo).to_be_disabled()
        expect(undo).not_to_contain_text("back to")


def test_an_undo_that_a_restart_refuses_is_no_way_back_of_the_new_run(tmp_path: Path, open_page: OpenPage) -> None:
    undone = """async (forgets) => {
      const { commands, link } = trimbridge;
      commands.waysBack.stack = [{ what: "back to repro level", address: "/do/step", tags: "i", values: [1] }];
      link.ask = async () => (forgets && commands.forget(), "refused");
      await commands.undo();
      return commands.waysBack.stack.length;
    }"""
    with PracticeDaemon(tmp_path, PRACTICE) as daemon:
        page = open_page(daemon.address)
        heard(page)
        assert page.evaluate(undone, False) == 1
        assert page.evaluate(undone, True) == 0


def test_two_connections_in_turn_send_nothing_of_the_run_before(tmp_path: Path, open_page: OpenPage) -> None:
    with PracticeDaemon(tmp_path, PRACTICE) as daemon:
        page = open_page(daemon.address)
        heard(page)
        sent, answer = page.evaluate("""async () => {
          const { link, setup } = trimbridge;
          const [sent, loads] = [[], []];
          let answer = null;
          const connect = () => {
            link.socket = { send: (packet) => sent.push(packet), close: () => null };
            return trimbridge.reload();
          };
          trimbridge.load = () => new Promise((resolve) => loads.push(resolve));
          link.isKnown = false;
          const resolve = (said) => (answer = said);
          link.pending.set("one", { packet: "next", resolve, sentMs: performance.now(), tries: 1 });
          const reloads = [connect(), connect()];
          for (const load of loads) load({ ...setup, run: "another" });
          await Promise.all(reloads);
          return [sent, answer];
        }""")
        assert sent == []
        assert answer == "trimbridge was started anew meanwhile: look whether it was done"


def test_a_daemon_that_is_paused_does_not_answer(tmp_path: Path, open_page: OpenPage) -> None:
    with PracticeDaemon(tmp_path, PRACTICE) as daemon:
        page = open_page(daemon.address)
        band = page.locator("#band")
        expect(band).to_be_hidden()
        daemon.process.send_signal(signal.SIGSTOP)
        try:
            hangs = "not live: trimbridge does not answer: it hangs, or was paused"
            expect(band).to_contain_text(hangs)
            # It stays so while the page tries to connect anew, again and again: nothing else was found.
            page.wait_for_function("trimbridge.link.losses > 0 && !trimbridge.link.isOpen")
            expect(band).to_contain_text(hangs)
        finally:
            daemon.process.send_signal(signal.SIGCONT)
        expect(band).to_be_hidden()
