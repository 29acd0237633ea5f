"""`check` finds what `run` would refuse, and what would leave a calibration incomplete: one line for each."""

import json
import os
import socket
import subprocess
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import pytest

from bridge.log.store import Store
from tests.cli.program import NO_INTERFACE, ORDINARY, trimbridge
from tests.system.daemon import free_port
from tests.system.disk import is_allowed_to_mount, small_disk
from tests.system.jack import JackServer
from tests.system.midi import Player

ELSEWHERE = "203.0.113.9"
"""An address of no computer (RFC 5737)."""

ROOM = """
[machine]
name = "Net loft four-track (invented)"
tracks = 4
[tape]
tones = [{{ hz = 1000 }}, {{ hz = 10000 }}]
[audio]
source = "simulated"
{audio}
[[step]]
adjustment = "repro level"
tone_hz = 1000
[[step]]
adjustment = "repro high"
tone_hz = {tone_hz}
[log]
file = "{log}"
[osc]
port = {port}
{osc}
[page]
port = {page_port}
{page}
{midi}
"""

Found = tuple[str, str, str]


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path
    for one in tmp_path.iterdir():
        one.chmod(0o755 if one.is_dir() else 0o644)


def written(folder: Path, **changes: object) -> Path:
    """A config in which all is right but for these changes."""
    right = {"tone_hz": 10_000, "log": "room.db", "port": 0, "page_port": 0}
    said = dict.fromkeys(("audio", "osc", "page", "midi"), "") | right | changes
    config = folder / "room.toml"
    config.write_text(ROOM.format(**said), encoding="utf-8")
    return config


def checked(config: Path, status: int, environment: Mapping[str, str] = NO_INTERFACE) -> list[Found]:
    """Run `check` as somebody who may not do everything; what is not good, with advice, and no word on stderr."""
    done = trimbridge("check", config, "--json", status=status, before=ORDINARY, environment=environment)
    assert done.stderr == ""
    findings = json.loads(done.stdout)
    for one in findings:
        assert one["message"].count("\n") == 0
        assert one["verdict"] == "good" or one["advice"], one
    return [(one["part"], one["message"], one["advice"]) for one in findings if one["verdict"] == "bad"]


def matched(found: list[Found], expected: list[tuple[str, str, str]]) -> None:
    """Each expected part, piece of the message and piece of the advice is found, in this order, and nothing else."""
    assert len(found) == len(expected), found
    for (part, message, advice), (wanted, piece, right) in zip(found, expected, strict=True):
        assert part == wanted
        assert piece in message
        assert right in advice or right in message


def refused(config: Path, piece: str) -> None:
    """`run` refuses the same."""
    done = trimbridge("run", config, "--plain", status=1, before=ORDINARY)
    assert piece in done.stderr


@contextmanager
def taken(kind: socket.SocketKind) -> Iterator[int]:
    """A port of this computer that another program has."""
    with socket.socket(socket.AF_INET, kind) as other:
        other.bind(("127.0.0.1", 0))
        if kind == socket.SOCK_STREAM:
            other.listen()
        yield other.getsockname()[1]


def certificate(folder: Path, dates: tuple[str, str]) -> str:
    """A certificate of ones own between two dates of the form ASN1 UTCTIME; the lines of the config for it."""
    (folder / "ca.cnf").write_text(
        "[ca]\ndefault_ca = it\n[it]\ndir = .\ndatabase = index.txt\nserial = serial\nnew_certs_dir = .\n"
        "default_md = sha256\npolicy = any\n[any]\ncommonName = supplied\n"
    )
    (folder / "index.txt").touch()
    (folder / "serial").write_text("01\n")
    for words in (
        "req -new -newkey rsa:2048 -nodes -subj /CN=room -keyout key.pem -out asked.pem",
        "ca -batch -config ca.cnf -selfsign -keyfile key.pem -in asked.pem -notext -out page.pem "
        f"-startdate {dates[0]} -enddate {dates[1]}",
    ):
        subprocess.run(["openssl", *words.split()], cwd=folder, check=True, capture_output=True, timeout=60)
    return 'certificate = "page.pem"\ncertificate_key = "key.pem"'


def test_all_is_right_and_nothing_is_left_behind(folder: Path) -> None:
    config = written(folder)
    assert checked(config, 0) == []
    assert [one.name for one in folder.iterdir()] == ["room.toml"]


def test_everything_that_is_wrong_is_told_in_a_line_of_its_own(folder: Path) -> None:
    """Of sound, steps, ports, certificate, log and MIDI at once."""
    (folder / "closed").mkdir(mode=0o555)
    page = certificate(folder, ("20260101000000Z", "20960101000000Z"))
    (folder / "key.pem").chmod(0)
    with (
        taken(socket.SOCK_DGRAM) as port,
        taken(socket.SOCK_STREAM) as tcp_port,
        taken(socket.SOCK_STREAM) as page_port,
    ):
        config = written(
            folder,
            audio="inputs = { 1 = 1, 2 = 2, 3 = 3, 4 = 4 }",
            tone_hz=12_000,
            log="closed/room.db",
            port=port,
            osc=f'tcp = "slip"\ntcp_port = {tcp_port}\ndestinations = ["239.255.77.1:9000"]\n'
            'multicast_interface = "nowhere0"',
            page_port=page_port,
            page=f'{page}\nlayouts = ["none.toml"]',
            midi='[[midi.bind]]\nport = "pedal"\nmessage = "note"\nnumber = 60\ncommand = "next"',
        )
        config.write_text(config.read_text().replace('"simulated"', '"device"\ndevice = "no such box"'))
        found = checked(config, 1)
    matched(found, [
        ("steps", "step 2, repro high: 12000 Hz is not on the tape", "1000, 10000 Hz"),
        ("audio", "there is no audio interface", "trimbridge inputs"),
        ("osc", f"cannot listen at 127.0.0.1 port {port}: Address already in use", "[osc] listen or port"),
        ("osc", f"cannot listen at 127.0.0.1 TCP port {tcp_port}: Address already in use", "tcp_port"),
        ("osc", "no network interface 'nowhere0'", "multicast_interface"),
        ("page", f"cannot serve the page at 127.0.0.1 port {page_port}: Address already in use", "[page] port"),
        ("page", f"{folder}/key.pem cannot be used for https: Permission denied", "certificate_key"),
        ("page", f"{folder}/none.toml: cannot be read", "[page] layouts"),
        ("log", f"no log can be written in the folder {folder}/closed: Permission denied", "[log] file"),
        ("midi", "no MIDI system is running", "start MIDI"),
    ])  # fmt: skip


def test_addresses_of_another_computer(folder: Path) -> None:
    config = written(folder, osc=f'listen = "{ELSEWHERE}"\npairing_code = "reel"', page=f'listen = "{ELSEWHERE}"')
    matched(checked(config, 1), [
        ("osc", f"cannot listen at {ELSEWHERE} port 0: Cannot assign requested address", "this computer has 127.0.0.1"),
        ("page", f"cannot serve the page at {ELSEWHERE} port 0: Cannot assign", "this computer has 127.0.0.1"),
    ])  # fmt: skip
    refused(
        config, f"cannot listen at {ELSEWHERE} port 0: Cannot assign requested address: this computer has 127.0.0.1"
    )


def test_two_parts_that_want_the_same_port(folder: Path) -> None:
    port = free_port()
    config = written(folder, osc=f'tcp = "size"\ntcp_port = {port}', page_port=port)
    matched(checked(config, 1), [("page", "Address already in use", "[osc] tcp_port is the same")])
    refused(config, f"cannot serve the page at 127.0.0.1 port {port}: Address already in use")


@pytest.mark.parametrize(
    ("dates", "said"),
    [
        (("20200101000000Z", "20200201000000Z"), "page.pem has expired on 2020-02-01: browsers refuse it"),
        (("20950101000000Z", "20960201000000Z"), "page.pem is good from 2095-01-01 only"),
    ],
)
def test_a_certificate_out_of_its_time(dates: tuple[str, str], said: str, folder: Path) -> None:
    config = written(folder, page=certificate(folder, dates))
    matched(checked(config, 1), [("page", said, "renewed")])


def test_a_certificate_with_the_key_of_another(folder: Path) -> None:
    page = certificate(folder, ("20260101000000Z", "20960101000000Z"))
    (folder / "mine").mkdir()
    certificate(folder / "mine", ("20260101000000Z", "20960101000000Z"))
    config = written(folder, page=page.replace("key.pem", "mine/key.pem"))
    matched(checked(config, 1), [("page", "page.pem cannot be used for https", "belong together")])
    refused(config, "page.pem cannot be used for https")


def test_a_log_whose_folder_is_missing_or_that_is_read_only_or_is_not_ours(folder: Path) -> None:
    config = written(folder, log="lost/room.db")
    matched(checked(config, 1), [("log", f"the folder {folder}/lost of the log is missing", "make it")])
    refused(config, f"the directory of the log {folder}/lost/room.db is missing")
    config = written(folder)
    Store(folder / "room.db").close()
    assert checked(config, 0) == []
    (folder / "room.db").chmod(0o444)
    matched(checked(config, 1), [("log", f"{folder}/room.db is read-only", "[log] file")])
    (folder / "room.db").chmod(0o644)
    (folder / "room.db").write_text("trim 1: turned it up a little\n" * 20)
    matched(checked(config, 1), [("log", "room.db is not a log of this program", "[log] file")])


def test_a_log_that_somebody_writes_or_that_is_damaged(folder: Path) -> None:
    config = written(folder)
    with closing(Store(folder / "room.db")):
        matched(checked(config, 1), [("log", f"is being written by process {os.getpid()}", "end")])
    damage = (folder / "room.db").read_bytes()
    # What a b-tree page is stands in its first byte (SQLite's file format, 1.6); 4096 bytes is the page size.
    (folder / "room.db").write_bytes(damage[:4096] + b"\xff" * 4096 + damage[8192:])
    matched(checked(config, 1), [("log", "is damaged", "name")])


def test_midi_ports_that_are_missing_while_another_is_there(folder: Path) -> None:
    """Two inputs, and an output for the lamps."""
    midi = (
        '[[midi.bind]]\nport = "desk"\nmessage = "note"\nnumber = 60\ncommand = "next"\n'
        '[[midi.bind]]\nport = "pedal"\nmessage = "note"\nnumber = 61\ncommand = "back"\n'
        '[[midi.lamp]]\nport = "pads"\n'
    )
    config = written(folder, midi=midi)
    with JackServer(channels=2, synchronous=False) as server, ExitStack() as held:
        held.enter_context(closing(Player(server, "desk")))
        matched(checked(config, 1, server.environment), [
            ("midi", 'no MIDI port "pedal" is there', "inputs are: desk"),
            ("midi", 'no MIDI port "pads" is there', "mend its name in [midi]"),
        ])  # fmt: skip
        held.enter_context(closing(Player(server, "pedal")))
        held.enter_context(closing(Player(server, "pads")))
        assert checked(config, 0, server.environment) == []


if is_allowed_to_mount():
    # No user but root can make a disk that is full.
    def test_a_disk_that_is_nearly_full_and_one_that_is(folder: Path) -> None:
        with small_disk(folder) as disk:
            disk.chmod(0o777)
            config = written(folder, log="disk/room.db")
            matched(checked(config, 1), [("disk", f"MB free at {disk}", "make room")])
            with (disk / "ballast").open("wb", buffering=0) as ballast, pytest.raises(OSError, match="No space left"):
                while True:
                    ballast.write(bytes(4096))
            matched(checked(config, 1), [
                ("log", f"no log can be written in the folder {disk}: ", "[log] file"),
                ("disk", f"0 MB free at {disk}", "make room"),
            ])  # fmt: skip
