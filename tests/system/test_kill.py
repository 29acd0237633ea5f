"""The daemon killed a hundred times: what was announced is in the log, the log opens, the calibration goes on.

Four daemons at a time, each with a log of its own, are killed with SIGKILL again and again while trims, withdrawals,
notes and moves are asked for over UDP. What happened is judged by what an independent receiver heard and what SQLite
finds in the file.
"""

import math
import random
import sqlite3
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

from tests.system.daemon import Daemon, Ear, free_port
from tests.system.sound import tones
from tests.system.starter import Starter

DAEMONS = 4
KILLS_EACH = 25
SEED = random.SystemRandom().randrange(10**9)
TRACKS = 4
STEPS = 3
UNDER_WAY = 6
"""Requests that wait for their answers at one time: several share a commit, and a kill cuts through them."""


def wait_s(seconds: float) -> None:
    """Let a random moment pass: what is random about the kill is the point of the test, not a condition to wait for."""
    threading.Event().wait(seconds)


def write_config(path: Path, recording: Path, port: int, ear_port: int) -> Path:
    """Three steps at the same tone, which differ in target, and two banks on the same inputs."""
    steps = "".join(
        f'[[step]]\nadjustment = "repro level"\ntone_hz = 1000\ntarget_vu = {0.5 * step}\n' for step in range(STEPS)
    )
    path.write_text(
        f'[machine]\nname = "Attic room"\ntracks = {TRACKS}\n'
        f'[audio]\nsource = "recording"\nrecording = "{recording}"\nsample_rate_hz = 48000\n'
        'inputs = [ { "1-2" = "1-2" }, { "3-4" = "1-2" } ]\n'
        f'{steps}[log]\nfile = "{path.with_suffix(".db")}"\n[page]\nenabled = false\n'
        f'[osc]\nport = {port}\nframes_per_s = 10\ndestinations = ["127.0.0.1:{ear_port}"]\n',
        encoding="utf-8",
    )
    return path


class Witness:
    """What was asked and heard of one daemon over all its lives, and what must therefore be in its log."""

    def __init__(self, directory: Path, recording: Path, number: int) -> None:
        self.chance = random.Random(SEED + number)
        self.where = f"seed {SEED}, daemon {number}"
        self.ear = Ear()
        self.starter = Starter()
        self.port = free_port()
        self.config = write_config(directory / f"{number}.toml", recording, self.port, self.ear.port)
        self.log = self.config.with_suffix(".db")
        self.start_up_s = 0.7
        self.kills_while_starting = 0
        self.asked: dict[str, tuple[str, tuple[object, ...]]] = {}
        self.announced: dict[str, tuple[object, ...]] = {}
        self.withdrawn: set[str] = set()
        self.noted: set[str] = set()
        self.places: list[tuple[int, int]] = [(1, 1)]
        """Where the calibration may stand: the last place that must be on disk, and all that were asked for since."""
        self._read = 0

    def life(self, number: int) -> None:
        """One life of the daemon, from its start to its killing."""
        # The first life, and the last, take the whole way from a new process.
        daemon = Daemon(self.config, starter=self.starter if number else None)
        begun_s = time.monotonic()
        frames_before = len(self.ear.frames)
        try:
            # The first of either kind is never cut short at its start, so that how long one takes is known.
            if number > 1 and self.chance.random() < 0.15:
                self.kills_while_starting += 1
                wait_s(self.chance.uniform(0.0, 1.2 * self.start_up_s))
            else:
                daemon.until(lambda: len(self.ear.frames) > frames_before, f"frames: {self.where}, life {number}")
                self.start_up_s = time.monotonic() - begun_s
                self.check_resumption(daemon, number)
                self.work(daemon, self.chance.randint(1, 12))
                wait_s(self.chance.uniform(0.0, 0.01))
        finally:
            daemon.process.kill()
            daemon.stop()
        self.ear.heard_all()
        self.listen()

    def check_resumption(self, daemon: Daemon, number: int) -> None:
        """Everything goes on where it was: the calibration, its step, its bank."""
        daemon.until(lambda: "log: " in daemon.output.rpartition("OSC: ")[2], "it says which calibration this is")
        said = daemon.output.rpartition("log: ")[2].splitlines()[0]
        if self.announced:
            assert said.endswith(f"calibration {self.calibration} resumed"), f"{self.where}, life {number}: {said}"
        place = (self.ear.value("/step/number"), self.ear.value("/bank/number"))
        assert place in self.places, f"{self.where}, life {number}: {place} is none of {self.places}"
        self.places = [place]

    @property
    def calibration(self) -> str:
        return next(iter(self.announced)).rpartition(".")[0]

    def work(self, daemon: Daemon, enough: int) -> None:
        """Ask for one thing after the other until ``enough`` more trims are announced."""
        daemon.until(self.is_steady, f"a steady tone: {self.where}")
        before = len(self.announced)
        waiting: list[str] = []

        def announced() -> bool:
            waiting[:] = [one for one in waiting if one not in self.ear.answers]
            while len(waiting) < UNDER_WAY:
                waiting.append(self.ask())
            self.listen()
            return len(self.announced) >= before + enough

        daemon.until(announced, f"{enough} trims are announced: {self.where}")

    def is_steady(self) -> bool:
        spreads_db = [values[0] for path, values in self.ear.newest.items() if path.endswith("/spread")]
        return not any(map(math.isnan, spreads_db))

    def ask(self) -> str:
        """Ask for something, mostly for a trim; return the request id."""
        kind = self.chance.random()
        step, bank = self.places[-1]
        if kind < 0.08:
            step = self.chance.randint(1, STEPS)
            return self.sent("/do/step", step, place=(step, bank))
        if kind < 0.14:
            bank = self.chance.randint(1, 2)
            return self.sent("/do/bank", bank, place=(step, bank))
        if kind < 0.22 and (standing := self.announced.keys() - self.withdrawn):
            return self.sent("/do/undo", self.chance.choice(sorted(standing)))
        if kind < 0.27:
            return self.sent("/do/note", f"note {self.chance.random()}")
        return self.sent("/do/log", 2 * bank - self.chance.randint(0, 1))

    def sent(self, address: str, value: object, place: tuple[int, int] | None = None) -> str:
        if place is not None:
            self.places.append(place)
        request_id = self.ear.ask(self.port, address, value)
        self.asked[request_id] = (address, (value,))
        return request_id

    def listen(self) -> None:
        """Take in what was heard since the last time."""
        heard = self.ear.messages[self._read :]
        self._read += len(heard)
        for address, values in heard:
            if address == "/trim/logged":
                trim_id = str(values[-1])
                assert trim_id not in self.announced, f"{self.where}: {trim_id} was given twice"
                self.announced[trim_id] = values
            elif address == "/done":
                self.done(*self.asked[values[0]])

    def done(self, address: str, values: tuple[object, ...]) -> None:
        if address == "/do/undo":
            self.withdrawn.add(str(values[0]))
        elif address == "/do/note":
            self.noted.add(str(values[0]))

    def check_log(self) -> None:
        """Compare the file with what was heard."""
        with closing(sqlite3.connect(self.log)) as connection:
            ask = connection.execute
            assert ask("PRAGMA integrity_check").fetchone() == ("ok",), self.where
            assert ask("PRAGMA foreign_key_check").fetchall() == [], self.where
            assert ask("SELECT count(*) FROM calibrations").fetchone() == (1,), self.where
            trims = ask("SELECT id, track, adjustment, as_left_db FROM trims ORDER BY entry").fetchall()
            withdrawn = {row[0] for row in ask("SELECT trim FROM withdrawals")}
            noted = {row[0] for row in ask("SELECT text FROM notes")}
        rows = {trim_id: values for trim_id, *values in trims}
        numbers = [int(trim_id.rpartition(".")[2]) for trim_id in rows]
        assert numbers == list(range(1, len(rows) + 1)), self.where
        lost = set(self.announced) - set(rows)
        assert not lost, f"{self.where}: announced, but not in the log: {lost}"
        for trim_id, (track, adjustment, _, as_left_db, _, _) in self.announced.items():
            assert rows[trim_id][:2] == [track, adjustment], f"{self.where}: {trim_id}"
            # It was sent as a 32-bit float.
            assert abs(rows[trim_id][2] - as_left_db) < 1e-5, f"{self.where}: {trim_id}"
        assert not self.withdrawn - withdrawn, self.where
        assert not self.noted - noted, self.where

    def live(self) -> None:
        try:
            for number in range(KILLS_EACH):
                self.life(number)
                # Half of the time the next life finds the log as the kill left it, half of the time as a reader does.
                if self.chance.random() < 0.5:
                    self.check_log()
            self.last_life()
        finally:
            self.ear.close()
            self.starter.close()

    def last_life(self) -> None:
        frames_before = len(self.ear.frames)
        with Daemon(self.config) as daemon:
            daemon.until(lambda: len(self.ear.frames) > frames_before, f"frames: {self.where}, last life")
            self.check_resumption(daemon, KILLS_EACH)
            known = self.logged_ids()
            self.work(daemon, 1)
            self.ear.heard_all()
            self.listen()
            new = [trim_id for trim_id in self.announced if trim_id not in known]
            assert new[0] == f"{self.calibration}.{len(known) + 1}", self.where
        assert daemon.process.returncode == 0
        self.check_log()
        exported = subprocess.run(
            [sys.executable, "-m", "bridge", "export", "--log", str(self.log), "--format", "csv"],
            capture_output=True,
            text=True,
            check=True,
            timeout=60,
        )
        assert set(self.announced) <= {line.partition(",")[0] for line in exported.stdout.splitlines()}

    def logged_ids(self) -> set[str]:
        with closing(sqlite3.connect(f"file:{self.log}?mode=ro", uri=True)) as connection:
            return {row[0] for row in connection.execute("SELECT id FROM trims")}


def test_a_hundred_kills_lose_no_announced_trim(tmp_path: Path) -> None:
    recording = tones(tmp_path / "tone.wav", [-18.0, -17.5], seconds=120)
    witnesses = [Witness(tmp_path, recording, number) for number in range(DAEMONS)]
    with ThreadPoolExecutor(DAEMONS) as pool:
        list(pool.map(Witness.live, witnesses))
    announced = sum(len(witness.announced) for witness in witnesses)
    assert announced > DAEMONS * KILLS_EACH, f"seed {SEED}: {announced} trims say little"
    assert sum(witness.kills_while_starting for witness in witnesses) > 0, f"seed {SEED}"
