"""Pairing that outlives the daemon: a real daemon in a network of its own, stopped and started again."""

import contextlib
import json
import os
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from bridge.config.load import loads
from bridge.control.inbox import CommandInbox
from bridge.control.page import PageControl
from bridge.control.paired import EXPIRES_S, MOST, NOTED_S, PairedScreen, PairedScreens
from bridge.daemon.page import Page
from bridge.daemon.paired_file import PairedFile
from bridge.daemon.setup import paired_path, setup_of
from bridge.wire.interfaces import reachable
from tests.page.rooms import PRACTICE, PracticeDaemon
from tests.system.jack import wait_until

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
    kept = tmp_path / "practice-paired-screens.json"

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
OTHER = PairedScreen("cd" * 32, "198.51.100.8", "phone", NOW_S, NOW_S)
SCREEN = PairedScreen("ab" * 32, "198.51.100.7", "tablet", NOW_S, NOW_S)


def through_file(path: Path, code: str, *screens: PairedScreen) -> tuple[PairedScreen, ...]:
    """Read the file as a daemon with this code does, and keep these screens."""
    kept = PairedFile(path, code)
    found = kept.read()
    kept.start()
    if screens:
        kept.keep(screens)
    kept.close()
    return found


@pytest.mark.parametrize(
    ("before", "after", "stays"),
    [("", "", True), ("", CODE, False), (CODE, CODE, True), (CODE, "111111", False), (CODE, "", False)],
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
    assert through_file(path, "222222") == ()


def test_a_file_without_a_salt_lets_nobody_in(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "paired-screens.json"
    through_file(path, "", SCREEN)
    document = json.loads(path.read_bytes())
    path.write_text(json.dumps({name: document[name] for name in ("version", "screens")}))
    assert through_file(path, CODE) == ()
    assert "screens must be paired anew" in caplog.text


def test_who_stands_in_a_file_that_could_not_be_read_does_not_come_back(tmp_path: Path) -> None:
    path = tmp_path / "screens.json"
    through_file(path, CODE, SCREEN)
    path.rename(tmp_path / "aside")
    path.mkdir()
    kept = PairedFile(path, CODE)
    assert kept.read() == ()
    # Neither replaced nor deleted can it be now.
    kept.start()
    wait_until(lambda: kept.problem, "the failure is noted")
    assert "those that it names may command again: delete it" in kept.problem
    path.rmdir()
    (tmp_path / "aside").rename(path)
    kept.close()
    assert kept.problem == ""
    assert through_file(path, CODE) == ()


def test_practice_and_the_machine_keep_their_screens_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    practice = paired_path(loads(PRACTICE, tmp_path))
    real = PRACTICE.replace('source = "simulated"', 'source = "device"\ndevice = "invented"')
    machine = paired_path(loads(real, tmp_path))
    assert practice is not None
    assert machine is not None
    assert practice.parent == machine.parent
    through_file(machine, CODE, SCREEN)
    # Practice without a code lends itself none of them, and forgets none.
    assert through_file(practice, "", OTHER) == ()
    assert through_file(machine, CODE) == (SCREEN,)
    assert through_file(practice, "") == (OTHER,)


def test_without_a_log_no_screens_are_kept(tmp_path: Path) -> None:
    assert paired_path(loads(f"{PRACTICE}[log]\nenabled = false\n", tmp_path)) is None


def test_that_the_file_of_an_older_program_is_used_no_more_is_said(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    former = tmp_path / "paired-screens.json"
    through_file(former, CODE, SCREEN)
    assert through_file(tmp_path / "trimbridge-paired-screens.json", CODE, OTHER) == ()
    assert f"{former} is used no more" in caplog.text
    assert "pair the screens once more" in caplog.text
    # Said until there is the new one.
    caplog.clear()
    assert through_file(tmp_path / "trimbridge-paired-screens.json", CODE) == (OTHER,)
    assert caplog.text == ""


def test_a_start_that_fails_changes_no_file(tmp_path: Path) -> None:
    path = tmp_path / "screens.json"
    through_file(path, CODE, SCREEN)
    before = path.read_bytes()
    settings = loads(f'{PRACTICE}[page]\nport = 0\nlisten = "0.0.0.0"\npairing_code = "111111"\n', tmp_path)

    def page() -> Page:
        return Page(settings, setup_of(settings), CommandInbox(), log=None, paired=path)

    never_started = page()
    never_started.stop()
    assert path.read_bytes() == before
    started = page()
    started.start()
    started.stop()
    assert json.loads(path.read_bytes())["screens"] == []


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


def test_a_clock_that_was_once_far_ahead_pairs_nobody_for_ever() -> None:
    screens = PairedScreens()
    ahead_s = NOW_S + 365 * 86_400
    token = screens.pair("198.51.100.7", "tablet", ahead_s)
    assert screens.is_paired(token, ahead_s)
    assert not screens.is_paired(token, NOW_S)
    assert screens.screens(NOW_S) == ()
    # A clock that was a day ahead costs nobody anything: the next visit is noted by the right time.
    token = screens.pair("198.51.100.7", "tablet", NOW_S + 86_400)
    assert screens.is_paired(token, NOW_S)
    assert screens.see(token, NOW_S)
    assert screens.screens(NOW_S)[0].seen_s == NOW_S


def test_a_clock_that_starts_in_1970_forgets_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("time.time", lambda: 60.0)
    written: list[Sequence[PairedScreen]] = []
    control = PageControl(CommandInbox(), CODE, [SCREEN], written.append)
    token, _ = control.pair("198.51.100.9", "laptop", CODE, 1.0)
    assert control.see(token)
    # It commands nothing as long as it lies in the future, but is in the file.
    assert [screen["what"] for screen in control.screens()] == ["laptop"]
    assert SCREEN in written[-1]
    monkeypatch.setattr("time.time", lambda: NOW_S + 60.0)
    assert [screen["what"] for screen in control.screens()] == ["tablet"]
    # One that was seen too long ago leaves the file at the next writing.
    control.pair("198.51.100.9", "phone", CODE, 2.0)
    assert [screen.what for screen in written[-1]] == ["tablet", "phone"]


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
    "text",
    ["", "{", "[]", '{"version": 2, "screens": []}', '{"version": 1, "screens": [{"digest": 1}]}', "\x00",
     f'{{"version": 1, "screens": [], "salt": "{"ab" * 16}", "code_key": "{"ä" * 128}"}}',
     f'{{"version": 1, "screens": [], "salt": "\\ud800", "code_key": "{"ab" * 64}"}}'],
)  # fmt: skip
def test_a_damaged_file_pairs_nobody_and_says_so(tmp_path: Path, caplog: pytest.LogCaptureFixture, text: str) -> None:
    path = tmp_path / "paired-screens.json"
    path.write_text(text)
    kept = PairedFile(path, CODE)
    assert kept.read() == ()
    assert "screens must be paired anew" in caplog.text
    kept.close()


def test_a_file_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    kept = tmp_path / "practice-paired-screens.json"
    kept.mkdir()
    page = f'listen = "0.0.0.0"\npairing_code = "{CODE}"'
    with network() as (run, host), PracticeDaemon(tmp_path, PRACTICE, page, before=run) as daemon:
        address = f"http://{host}:{daemon.address.rsplit(':', 1)[1]}"
        said = "screens that were paired since must be paired anew after the next start"
        # In the frames, so on every screen, too.
        paired = visit(run, address, code=CODE, hears=said)
        assert paired["may_command"] is True
        assert f"{kept} cannot be written" in str(paired["message"])
        assert daemon.stop(signal.SIGTERM) == 0
    assert said in daemon.output


def test_who_was_forgotten_stays_so_when_the_file_cannot_be_written(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    through_file(tmp_path / "made", CODE, SCREEN, OTHER)
    # A name that leaves no room for that of a new file beside it: the file system refuses to make one.
    path = (tmp_path / "made").rename(tmp_path / ("x" * 250))
    kept = PairedFile(path, CODE)
    assert kept.read() == (SCREEN, OTHER)
    kept.keep([OTHER])
    kept.close()
    assert "cannot be written" in kept.problem
    assert "it was deleted, and all screens must be paired anew after the next start" in kept.problem
    assert kept.problem in caplog.text
    assert through_file(path, CODE) == ()


def test_who_may_come_back_is_said_until_the_file_is_written(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "screens.json"
    through_file(path, CODE, SCREEN, OTHER)
    kept = PairedFile(path, CODE)
    kept.read()
    # Neither replaced nor deleted can it be now.
    path.rename(tmp_path / "aside")
    path.mkdir()
    kept.keep([OTHER])
    wait_until(lambda: kept.problem, "the failure is noted")
    assert "a forgotten screen may command again after the next start: delete it" in kept.problem
    assert kept.problem in caplog.text
    path.rmdir()
    (tmp_path / "aside").rename(path)
    # At the end it is tried once more.
    kept.close()
    assert kept.problem == ""
    assert through_file(path, CODE) == (OTHER,)
