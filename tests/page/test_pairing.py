"""Pairing that outlives the daemon: a real daemon in a network of its own, stopped and started again."""

import contextlib
import json
import os
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from bridge.control.paired import EXPIRES_S, MOST, NOTED_S, PairedScreen, PairedScreens
from bridge.daemon.paired_file import PairedFile
from bridge.wire.interfaces import reachable
from tests.page.rooms import PRACTICE, PracticeDaemon

VISITOR = Path(__file__).with_name("visitor.py")
CODE = "482913"


@contextlib.contextmanager
def network() -> Iterator[tuple[list[str], str]]:
    """Yield how to run something in a network of its own, and its address there.

    Where no network may be made, it is this computer's own address: what is sent to it does not leave it either.
    """
    name = f"tbp{os.getpid()}"

    def ip(*words: str) -> bool:
        return subprocess.run(["ip", *words], check=False, capture_output=True).returncode == 0

    if not shutil.which("ip") or not ip("netns", "add", name):
        yield [], str(reachable("0.0.0.0")[0].address)
        return
    try:
        assert ip("-n", name, "link", "set", "lo", "up")
        assert ip("-n", name, "link", "add", "studio", "type", "bridge")
        assert ip("-n", name, "addr", "add", "198.51.100.1/24", "dev", "studio")
        assert ip("-n", name, "link", "set", "studio", "up")
        yield ["ip", "netns", "exec", name], "198.51.100.1"
    finally:
        ip("netns", "del", name)


def visit(run: list[str], address: str, **given: str) -> dict[str, object]:
    options = [word for name, value in given.items() for word in (f"--{name}", value)]
    done = subprocess.run(
        [*run, sys.executable, VISITOR, address, *options], check=False, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def test_a_paired_screen_commands_after_a_restart(tmp_path: Path) -> None:
    page = f'listen = "0.0.0.0"\npairing_code = "{CODE}"'
    kept = tmp_path / "paired-screens.json"

    def daemon(run: list[str]) -> PracticeDaemon:
        return PracticeDaemon(tmp_path, PRACTICE, page, before=run)

    def at(one: PracticeDaemon, host: str) -> str:
        return f"http://{host}:{one.address.rsplit(':', 1)[1]}"

    with network() as (run, host):
        with daemon(run) as first:
            stranger = visit(run, at(first, host))
            assert (stranger["may_command"], stranger["answer"]) == (False, "/refused")
            assert (stranger["links"], stranger["forget"]) == (403, 403)
            paired = visit(run, at(first, host), code=CODE)
            assert (paired["paired"], paired["may_command"], paired["answer"]) == (True, True, "/done")
            # Also a paired screen learns no code and forgets nobody: only who sits at the computer does.
            assert (paired["links"], paired["forget"]) == (403, 403)
            token = str(paired["cookie"])
            # The terminal shows the way in: the address on the network, the code, and both to be scanned.
            assert f"{at(first, host)} (pairing code {CODE})" in first.output
            assert any(block in first.output for block in "█▀▄")
            assert first.stop(signal.SIGTERM) == 0
        assert stat.S_IMODE(kept.stat().st_mode) == 0o600
        # Whoever reads the file can command nothing: no token and no code stands in it, nor in what was written out.
        for text in (kept.read_text(encoding="utf-8"), first.output):
            assert token not in text
        assert CODE not in kept.read_text(encoding="utf-8")
        with daemon(run) as second:
            again = visit(run, at(second, host), cookie=token)
            assert (again["may_command"], again["answer"]) == (True, "/done")
            forged = visit(run, at(second, host), cookie=json.loads(kept.read_bytes())["screens"][0]["digest"])
            assert (forged["may_command"], forged["answer"]) == (False, "/refused")
            # At the computer itself the screens are forgotten, and that lasts, too.
            local = visit(run, at(second, "127.0.0.1"))
            assert (local["may_command"], local["links"], local["forget"]) == (True, 200, 200)
            gone = visit(run, at(second, host), cookie=token)
            assert (gone["may_command"], gone["answer"]) == (False, "/refused")
            assert second.stop(signal.SIGTERM) == 0
        with daemon(run) as third:
            assert visit(run, at(third, host), cookie=token)["may_command"] is False


def test_another_code_forgets_the_screens_of_the_one_before(tmp_path: Path) -> None:
    def daemon(run: list[str], code: str) -> PracticeDaemon:
        return PracticeDaemon(tmp_path, PRACTICE, f'listen = "0.0.0.0"\npairing_code = "{code}"', before=run)

    def at(one: PracticeDaemon, host: str) -> str:
        return f"http://{host}:{one.address.rsplit(':', 1)[1]}"

    with network() as (run, host):
        with daemon(run, CODE) as first:
            token = str(visit(run, at(first, host), code=CODE)["cookie"])
            assert first.stop(signal.SIGTERM) == 0
        said = "pairing_code has changed: the paired screen was forgotten, and must be paired anew"
        assert said not in first.output
        with daemon(run, "593024") as second:
            gone = visit(run, at(second, host), cookie=token)
            assert (gone["may_command"], gone["answer"]) == (False, "/refused")
            assert visit(run, at(second, host), code=CODE)["paired"] is False
            assert second.stop(signal.SIGTERM) == 0
        assert said in second.output
        # It is forgotten, not only kept out: the old code does not bring it back.
        with daemon(run, CODE) as third:
            assert visit(run, at(third, host), cookie=token)["may_command"] is False


NOW_S = 1_795_000_000.0
SCREEN = PairedScreen("ab" * 32, "198.51.100.7", "tablet", NOW_S, NOW_S)


def through_file(path: Path, code: str, *screens: PairedScreen) -> tuple[PairedScreen, ...]:
    """Read the file as a daemon with this code does, and keep these screens."""
    kept = PairedFile(path, code)
    found = kept.read()
    if screens:
        kept.keep(screens)
    kept.close()
    return found


@pytest.mark.parametrize(
    ("before", "after", "stays"),
    [("", "", True), ("", CODE, True), (CODE, CODE, True), (CODE, "111111", False), (CODE, "", False)],
)
def test_screens_stay_while_the_code_of_the_config_does(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, before: str, after: str, stays: bool
) -> None:
    path = tmp_path / "paired-screens.json"
    through_file(path, before, SCREEN)
    assert CODE not in path.read_text()
    assert through_file(path, after) == ((SCREEN,) if stays else ())
    assert ("pairing_code has changed" in caplog.text) is not stays
    # What was found then is what is found from then on.
    assert through_file(path, after) == ((SCREEN,) if stays else ())
    assert through_file(path, "222222") == ((SCREEN,) if stays and not after else ())


def test_a_file_of_an_older_program_keeps_its_screens(tmp_path: Path) -> None:
    path = tmp_path / "paired-screens.json"
    through_file(path, "", SCREEN)
    document = json.loads(path.read_bytes())
    path.write_text(json.dumps({name: document[name] for name in ("version", "screens")}))
    assert through_file(path, CODE) == (SCREEN,)
    assert through_file(path, "111111") == ()


def test_a_screen_that_stays_away_for_a_month_is_forgotten() -> None:
    screens = PairedScreens()
    token = screens.pair("198.51.100.7", "tablet", NOW_S)
    assert screens.is_paired(token, NOW_S + EXPIRES_S)
    assert not screens.is_paired(token, NOW_S + EXPIRES_S + 1)
    assert screens.screens(NOW_S + EXPIRES_S + 1) == ()
    # One that comes stays, and its visits are kept no more exactly than is needed.
    assert not screens.see(token, NOW_S + NOTED_S - 1)
    assert screens.see(token, NOW_S + 20 * 86_400)
    assert screens.is_paired(token, NOW_S + 20 * 86_400 + EXPIRES_S)
    assert not screens.is_paired("", NOW_S)
    assert not screens.is_paired(token + "x", NOW_S)


def test_one_screen_is_forgotten_or_all_and_there_are_not_too_many() -> None:
    screens = PairedScreens()
    tokens = [screens.pair("198.51.100.7", f"tablet {number}", NOW_S + number) for number in range(MOST + 1)]
    assert not screens.is_paired(tokens[0], NOW_S + 99)
    newest = screens.screens(NOW_S + 99)[0]
    assert newest.what == f"tablet {MOST}"
    assert screens.forget(newest.id)
    assert not screens.forget(newest.id)
    assert not screens.is_paired(tokens[-1], NOW_S + 99)
    assert screens.is_paired(tokens[-2], NOW_S + 99)
    assert screens.forget("")
    assert screens.screens(NOW_S + 99) == ()


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"version": 2, "screens": []}', '{"version": 1, "screens": [{"digest": 1}]}', "\x00"]
)
def test_a_damaged_file_pairs_nobody_and_says_so(tmp_path: Path, caplog: pytest.LogCaptureFixture, text: str) -> None:
    path = tmp_path / "paired-screens.json"
    path.write_text(text)
    kept = PairedFile(path)
    assert kept.read() == ()
    assert "screens must be paired anew" in caplog.text
    kept.close()


def test_a_file_that_cannot_be_written_is_said(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "paired-screens.json").mkdir()
    kept = PairedFile(tmp_path / "paired-screens.json")
    kept.keep([SCREEN])
    kept.close()
    assert "cannot be written" in caplog.text
