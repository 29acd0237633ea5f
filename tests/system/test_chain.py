"""The whole chain: JACK server → PortAudio → daemon process → UDP → an independent OSC receiver."""

import signal
import subprocess
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tests.system.daemon import JACK, Daemon, Ear, free_port, write_config
from tests.system.jack import JackServer, ToneClient

LEVELS_DBFS = [-18.0 + 0.37 * (track - 12) for track in range(24)]


def subscribe(seconds: int) -> bytes:
    return b"/subscribe\0\0,i\0\0" + seconds.to_bytes(4, "big")


def test_24_known_levels_arrive_within_a_fiftieth_of_a_db(tmp_path: Path) -> None:
    port = free_port()
    with JackServer() as server, ToneClient(server, LEVELS_DBFS, hz=1000) as tones, Ear() as ear:
        config = write_config(
            tmp_path / "c.toml", port=port, source=JACK, more=f'destinations = ["127.0.0.1:{ear.port}"]\n'
        )
        with Daemon(config, server.environment) as daemon:
            daemon.until(lambda: ear.value("/health/source") == "running", "the source runs")
            server.wire(tones.client, "trimbridge", 24)
            daemon.until(lambda: ear.value("/track/24/spread") == ear.value("/track/24/spread"), "a steady tone")

            def close() -> bool:
                frame = ear.newest
                expected_vu = np.array(LEVELS_DBFS) + 18.0
                fine = np.array([frame[f"/track/{track}/fine"][0] for track in range(1, 25)])
                vu = np.array([frame[f"/track/{track}/vu"][0] for track in range(1, 25)])
                return bool(np.abs(fine - expected_vu).max() < 0.02 and np.abs(vu - expected_vu).max() < 0.05)

            daemon.until(close, "24 levels within 0.02 dB")
            # A server without real-time priority may repeat a period, which turns the phase: only then is it off.
            daemon.until(lambda: abs(ear.value("/tone/hz") - 1000.0) < 0.2, "1 kHz within 0.02 %")
            assert ear.newest["/step/adjustment"] == ("repro level",)
            assert ear.newest["/step/target_vu"] == (0.0,)
            # Thirty frames in a second of sound: seen in the time tags, which are those of the samples.
            before = len(ear.frames)
            daemon.until(lambda: len(ear.frames) >= before + 90, "90 more frames")
            tags = np.array([tag for tag, _ in ear.frames[before : before + 90]])
            assert (np.diff(tags) > 0).all()
            assert (tags[-1] - tags[0]) / 89 == pytest.approx(1 / 30, rel=0.02)
        assert daemon.process.returncode == 0
        assert all(later > earlier for (earlier, _), (later, _) in pairwise(ear.frames))


def test_oscdump_and_oscsend_of_liblo_see_and_steer_the_daemon(tmp_path: Path) -> None:
    port, dump_port = free_port(), free_port()
    with JackServer(channels=4) as server, ToneClient(server, LEVELS_DBFS[:4], hz=1000) as tones:
        config = write_config(
            tmp_path / "c.toml",
            port=port,
            source=JACK,
            tracks=4,
            more=f'frames_per_s = 10\ndestinations = ["127.0.0.1:{dump_port}"]\n',
        )
        with (tmp_path / "dump.txt").open("w+b") as heard:
            dump = subprocess.Popen(["oscdump", "-L", str(dump_port)], stdout=heard)
            try:
                with Daemon(config, server.environment) as daemon:

                    def dumped(text: str) -> bool:
                        return text in (tmp_path / "dump.txt").read_text(errors="replace")

                    daemon.until(lambda: dumped('/health/source s "running"'), "oscdump hears the daemon")
                    server.wire(tones.client, "trimbridge", 4)

                    def logged() -> bool:
                        subprocess.run(["oscsend", "127.0.0.1", str(port), "/do/log", "i", "2"], check=True)
                        return dumped('/trim/logged isfffs 2 "repro level"')

                    daemon.until(logged, "a trim is logged and announced")
                    subprocess.run(["oscsend", "127.0.0.1", str(port), "/do/hold", "T"], check=True)
            finally:
                dump.terminate()
                dump.wait()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_stops_in_order_on_a_signal(tmp_path: Path, number: int) -> None:
    with Ear() as ear:
        config = write_config(
            tmp_path / "c.toml",
            port=free_port(),
            source='source = "simulated"',
            tracks=2,
            more=f'destinations = ["127.0.0.1:{ear.port}"]\n',
        )
        daemon = Daemon(config)
        daemon.until(lambda: ear.frames, "the first frame")
        assert daemon.stop(number) == 0
        assert daemon.output.endswith("stopped\n")


def test_server_stopped_and_started_again_under_the_daemon(tmp_path: Path) -> None:
    port = free_port()
    with JackServer(channels=4) as server, Ear() as ear:
        config = write_config(
            tmp_path / "c.toml", port=port, source=JACK, tracks=4, more=f'destinations = ["127.0.0.1:{ear.port}"]\n'
        )
        with Daemon(config, server.environment) as daemon:

            def reads_the_tone() -> bool:
                fine = ear.value("/track/4/fine")
                return fine is not None and abs(fine - (LEVELS_DBFS[3] + 18.0)) < 0.02

            for round_ in range(2):
                with ToneClient(server, LEVELS_DBFS[:4], hz=1000) as tones:
                    daemon.until(lambda: ear.value("/health/source") == "running", f"the source runs, round {round_}")
                    server.wire(tones.client, "trimbridge", 4)
                    daemon.until(reads_the_tone, f"readings, round {round_}")
                    server.stop()
                    daemon.until(lambda: ear.value("/health/source") == "lost", f"said to be lost, round {round_}")
                    assert ear.newest["/track/4/state"] == ("quiet",)
                    assert ear.value("/health/source_losses") == round_ + 1
                server.start()
            daemon.until(lambda: ear.value("/health/source") == "running", "the source is back at last")
        assert all(later > earlier for (earlier, _), (later, _) in pairwise(ear.frames))
    trims = subprocess.run(
        ["sqlite3", "-readonly", str(tmp_path / "c.db"), "select kind from events order by rowid"],
        capture_output=True,
        text=True,
        check=False,
    )
    if trims.returncode == 0:
        assert [kind for kind in trims.stdout.split("\n") if "source" in kind][:2] == ["source lost", "source back"]
