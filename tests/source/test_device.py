"""The device source against a real JACK server, fed by an independent process."""

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from bridge.source.block import Source
from bridge.source.device import Device
from bridge.source.devices import InputDevice, find, list_interfaces
from bridge.source.faults import SourceLostError
from tests.source.contract import SourceContract, next_block
from tests.system.jack import JackServer, ToneClient, found_by_this_process, wait_until

ALL = tuple(range(1, 25))


def gone(pid: int) -> bool:
    """Whether the process has ended, reaped by whoever is to reap it or not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except FileNotFoundError:
        return True


def children_of(pid: int) -> list[int]:
    return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def capturing(pid: int) -> list[int]:
    """Return the children that capture."""
    return [
        child for child in children_of(pid) if b"bridge.source.capture" in Path(f"/proc/{child}/cmdline").read_bytes()
    ]


def levels_dbfs(source: Source) -> np.ndarray:
    """Return the level of each column over the next tenth of a second, a whole number of periods of 1 kHz."""
    blocks = [next_block(source).samples]
    while sum(map(len, blocks)) < 4800:
        blocks.append(next_block(source).samples)
    samples = np.concatenate(blocks)[:4800].astype(float)
    return 20 * np.log10(np.sqrt(2 * np.mean(samples**2, axis=0)) + 1e-10)


def arrive(source: Source, expected_dbfs: list[float]) -> bool:
    return bool(np.allclose(levels_dbfs(source), expected_dbfs, rtol=0.0, atol=0.005))


def read_until_lost(source: Source) -> str:
    lost: list[str] = []

    def is_lost() -> bool:
        try:
            source.read(0.05)
        except SourceLostError as error:
            lost.append(str(error))
        return bool(lost)

    wait_until(is_lost, "the source says that it is lost")
    return lost[0]


class TestDevice(SourceContract):
    ENDS = False

    @pytest.fixture
    def source(self, jack: JackServer) -> Iterator[Source]:
        device = Device("system", "JACK", ALL, 48_000, 512)
        yield device
        device.stop()
        assert capturing(os.getpid()) == []


@pytest.mark.parametrize("block_frames", [100, 2048])
def test_24_levels_arrive_in_24_columns(block_frames: int, jack: JackServer, tones: ToneClient) -> None:
    device = Device("system", "jack", ALL, 48_000, block_frames)
    device.start()
    try:
        assert device.all_zero
        jack.wire(tones.client, "trimbridge", 24)
        expected = [-12.0 - 0.75 * channel for channel in range(24)]
        wait_until(lambda: arrive(device, expected), "24 levels in order")
        assert not device.all_zero
        tones.play([-30.0] * 23 + [-6.0])
        wait_until(lambda: arrive(device, [-30.0] * 23 + [-6.0]), "the new levels")
    finally:
        device.stop()


def test_inputs_with_gaps_and_in_any_order(jack: JackServer, tones: ToneClient) -> None:
    inputs = (17, 3, 4, 5, 22)
    device = Device("system", "jack", inputs, 48_000, 512)
    device.start()
    try:
        jack.wire(tones.client, "trimbridge", 22)
        wait_until(lambda: arrive(device, [-12.0 - 0.75 * (number - 1) for number in inputs]), "5 levels in order")
    finally:
        device.stop()


@pytest.mark.parametrize("rate_hz", [44_100, 96_000, 192_000])
def test_other_rates(rate_hz: int) -> None:
    server = JackServer(sample_rate_hz=rate_hz, period_frames=512, channels=2, synchronous=False)
    with server, found_by_this_process(server):
        device = Device("system", "jack", (1, 2), rate_hz, 512)
        device.start()
        try:
            first, second = next_block(device), next_block(device)
        finally:
            device.stop()
    nominal_ns = (second.end_frame - first.end_frame) * 1e9 / rate_hz
    assert second.captured_ns - first.captured_ns == pytest.approx(nominal_ns, rel=0.02)


def test_64_inputs() -> None:
    with JackServer(channels=64, synchronous=False) as server, found_by_this_process(server):
        device = Device("system", "jack", tuple(range(1, 65)), 48_000, 512)
        device.start()
        try:
            assert next_block(device).samples.shape == (512, 64)
        finally:
            device.stop()


def test_a_server_that_stops_and_returns(jack: JackServer) -> None:
    device = Device("system", "jack", ALL, 48_000, 512)
    device.start()
    next_block(device)
    jack.stop()
    assert "no samples for 0.5 s" in read_until_lost(device)
    device.stop()
    assert capturing(os.getpid()) == []

    again = Device("system", "jack", ALL, 48_000, 512)
    with pytest.raises(SourceLostError, match="there is no audio interface"):
        again.start()

    jack.start()
    with ToneClient(jack, [-20.0] * 24) as tones:
        once_more = Device("system", "jack", ALL, 48_000, 512)
        once_more.start()
        try:
            jack.wire(tones.client, "trimbridge", 24)
            wait_until(lambda: arrive(once_more, [-20.0] * 24), "the tones of the second server")
        finally:
            once_more.stop()


def test_a_server_that_crashes(jack: JackServer) -> None:
    device = Device("system", "jack", (1,), 48_000, 512)
    device.start()
    jack.kill()
    read_until_lost(device)
    device.stop()
    assert capturing(os.getpid()) == []


def test_a_capture_process_that_dies(jack_for_kills: JackServer) -> None:
    device = Device("system", "jack", (1,), 48_000, 512)
    device.start()
    (child,) = capturing(os.getpid())
    os.kill(child, signal.SIGKILL)
    assert "the capture process has ended" in read_until_lost(device)
    device.stop()


def test_a_capture_process_that_hangs_is_lost_and_stopped(jack_for_kills: JackServer) -> None:
    device = Device("system", "jack", (1,), 48_000, 512)
    device.start()
    (child,) = capturing(os.getpid())
    os.kill(child, signal.SIGSTOP)
    assert "no samples for 0.5 s" in read_until_lost(device)
    device.stop()
    assert gone(child)


def test_killing_the_parent_leaves_no_process_and_no_memory(jack: JackServer) -> None:
    script = (
        "from bridge.source.device import Device\n"
        "device = Device('system', 'jack', (1, 2), 48000, 512)\n"
        "device.start()\n"
        "print('running', flush=True)\n"
        "while True: device.read(1.0)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    try:
        assert parent.stdout is not None
        assert parent.stdout.readline() == "running\n"
        (child,) = capturing(parent.pid)
        # The shared memory has no name by which it could stay.
        assert "memfd:trimbridge (deleted)" in Path(f"/proc/{child}/maps").read_text()
    finally:
        parent.kill()
        parent.communicate()
    wait_until(lambda: gone(child), "the child has ended")
    assert not list(Path("/dev/shm").glob("*trimbridge*capture*"))
    assert not [name for name in Path("/dev/shm").iterdir() if name.name.startswith("psm_")]


def test_ctrl_c_reaches_the_parent_only(jack: JackServer) -> None:
    device = Device("system", "jack", (1,), 48_000, 512)
    device.start()
    try:
        (child,) = capturing(os.getpid())
        os.kill(child, signal.SIGINT)
        os.kill(child, signal.SIGTERM)
        for _ in range(100):
            next_block(device)
        assert os.getpgid(child) != os.getpgid(0)
    finally:
        device.stop()


def test_a_reader_that_is_too_slow_learns_how_much_it_has_lost(jack: JackServer) -> None:
    device = Device("system", "jack", (1,), 48_000, 512)
    device.start()
    try:
        first = next_block(device)
        ring = device._ring
        assert ring is not None
        wait_until(lambda: ring.waiting_slots > 120, "the ring of 1 s is overrun")
        # What is kept is the newer half of the ring; before it the frame numbers jump.
        late = next_block(device)
        assert late.first_frame - first.end_frame >= 40 * 512
        assert device.losses.frames == late.first_frame - first.end_frame
        assert device.losses.overruns >= 1
        assert late.captured_ns > first.captured_ns
    finally:
        device.stop()


def test_what_is_no_sound_becomes_silence_and_is_counted_and_the_other_inputs_go_on(jack: JackServer) -> None:
    device = Device("system", "jack", (1, 2), 48_000, 512)
    device.start()
    try:
        with ToneClient(jack, [-20.0, -20.0]) as tones:
            jack.wire(tones.client, "trimbridge", 2)
            wait_until(lambda: arrive(device, [-20.0, -20.0]), "tones")
            for level_dbfs in (float("nan"), 400.0):
                tones.play([level_dbfs, -20.0])
                before = device.losses.frames

                def counted(before: int = before) -> bool:
                    samples = next_block(device).samples
                    assert np.isfinite(samples).all()
                    goes_on = np.abs(samples[:, 1]).max() == pytest.approx(0.1, abs=0.001)
                    return bool(goes_on and device.losses.frames > before + 4800)

                wait_until(counted, "frames are counted as lost")
            assert device.losses.overruns > 0
    finally:
        device.stop()


def test_a_stop_during_the_start(jack: JackServer) -> None:
    device = Device("system", "jack", (1,), 48_000, 512)
    outcome: list[str] = []

    def start() -> None:
        try:
            device.start()
            outcome.append("started")
        except SourceLostError:
            outcome.append("refused")

    thread = threading.Thread(target=start)
    thread.start()
    device.stop()
    thread.join(30.0)
    assert not thread.is_alive()
    device.stop()
    wait_until(lambda: capturing(os.getpid()) == [], "no capture process is left")
    with pytest.raises(SourceLostError):
        device.read(0.0)


def refused(name: str, host_api: str, inputs: tuple[int, ...] = (1,), rate_hz: int = 48_000) -> str:
    device = Device(name, host_api, inputs, rate_hz, 512)
    with pytest.raises(SourceLostError) as caught:
        device.start()
    assert "\n" not in str(caught.value)
    assert capturing(os.getpid()) == []
    return str(caught.value)


def test_what_cannot_be_opened_is_said_in_one_line(jack: JackServer, tones: ToneClient) -> None:
    there = '"system" (JACK Audio Connection Kit, 24 inputs)'
    assert f'no audio interface "harbour"; there are: {there}' in refused("harbour", "")
    assert f'no audio interface "system" on host API "nowhere"; there are: {there}' in refused("system", "nowhere")
    ambiguous = refused("s", "jack")
    assert '"s" on host API "jack" fits 2 audio interfaces' in ambiguous
    assert there in ambiguous and tones.client in ambiguous
    assert f"input 25 is asked for, but {there} has no such input" in refused("system", "jack", (3, 25))
    assert "the JACK server runs at 48000 Hz, not at the 96000 Hz" in refused("system", "jack", rate_hz=96_000)


def test_the_list_sees_what_came_after_the_start_and_is_silent(jack: JackServer) -> None:
    def names() -> list[str]:
        return [device.name for device in list_interfaces().devices]

    assert names() == ["system"]
    with ToneClient(jack, [-20.0] * 3) as tones:
        interfaces = list_interfaces()
        assert InputDevice(tones.client, "JACK Audio Connection Kit", 3, 48_000) in interfaces.devices
        assert "JACK Audio Connection Kit" in interfaces.host_apis
    assert names() == ["system"]


def test_the_audio_libraries_noise_does_not_reach_the_terminal() -> None:
    script = "from bridge.source.devices import list_interfaces\nlist_interfaces()\n"
    environment = {**os.environ, "JACK_DEFAULT_SERVER": "noserver", "JACK_NO_START_SERVER": "1"}
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, env=environment, timeout=60, check=True)
    assert (done.stdout, done.stderr) == (b"", b"")


LISTED = (
    InputDevice("Desk: Line (hw:1,0)", "ALSA", 8, 48_000),
    InputDevice("Desk", "ASIO", 8, 48_000),
    InputDevice("Desk", "Windows WASAPI", 8, 48_000),
    InputDevice("Desk Monitor", "Windows WASAPI", 2, 48_000),
    InputDevice("Camera", "Windows WASAPI", 2, 48_000),
)


@pytest.mark.parametrize(
    ("name", "host_api", "position"),
    [
        ("camera", "", 4),
        ("line", "", 0),
        ("desk", "asio", 1),
        ("Desk", "WASAPI", 2),
        ("monitor", "", 3),
        ("", "alsa", 0),
    ],
)
def test_a_name_means_one_device(name: str, host_api: str, position: int) -> None:
    assert find(LISTED, name, host_api) == position


@pytest.mark.parametrize(
    ("name", "host_api", "message"),
    [
        ("Desk", "", r'^"Desk" fits 2 audio interfaces.*\(ASIO.*\(Windows WASAPI'),
        ("", "", r"fits 5 audio interfaces"),
        ("tape", "", r'no audio interface "tape"; there are: "Desk: Line'),
        ("camera", "asio", r'no audio interface "camera" on host API "asio"'),
    ],
)
def test_a_name_that_means_none_or_several(name: str, host_api: str, message: str) -> None:
    with pytest.raises(LookupError, match=message):
        find(LISTED, name, host_api)


def test_no_devices_at_all() -> None:
    with pytest.raises(LookupError, match="there is no audio interface with inputs"):
        find((), "desk", "")
