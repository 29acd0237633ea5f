"""Plays one sine a channel into a JACK server through PortAudio. A process of its own: see `jack.ToneClient`.

Arguments: client name, channels, sample rate. Each line on standard input, ``{"levels_dbfs": [...], "hz": 1000}``, is
answered with ``playing``. Ends with its standard input.
"""

import ctypes
import json
import sys

import numpy as np

CLIENT, CHANNELS, RATE_HZ = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])

# The name must be known before PortAudio starts, and PortAudio starts with the import of sounddevice.
_name = CLIENT.encode()  # PortAudio keeps the pointer
ctypes.CDLL("libportaudio.so.2").PaJack_SetClientName(_name)

import sounddevice  # noqa: E402

table = np.zeros((RATE_HZ, CHANNELS), np.float32)
position = 0


def one_second(levels_dbfs: list[float], hz: int) -> np.ndarray:
    sine = np.sin(2.0 * np.pi * hz * np.arange(RATE_HZ) / RATE_HZ)
    return (sine[:, None] * 10.0 ** (np.asarray(levels_dbfs) / 20.0)).astype(np.float32)


def callback(outdata: np.ndarray, frames: int, _time: object, _status: object) -> None:
    global position  # noqa: PLW0603
    tone = table
    first = min(frames, RATE_HZ - position)
    outdata[:first] = tone[position : position + first]
    outdata[first:] = tone[: frames - first]
    position = (position + frames) % RATE_HZ


sys.setswitchinterval(0.0005)
apis = [api["name"] for api in sounddevice.query_hostapis()]
jack = next(number for number, name in enumerate(apis) if name.startswith("JACK"))
device = next(
    number
    for number, entry in enumerate(sounddevice.query_devices())
    if entry["hostapi"] == jack and entry["name"] == "system"
)
stream = None
for line in sys.stdin:
    table = one_second(**json.loads(line))
    if stream is None:
        stream = sounddevice.OutputStream(
            samplerate=RATE_HZ, device=device, channels=CHANNELS, dtype="float32", callback=callback
        )
        stream.start()
    sys.stdout.write("playing\n")
    sys.stdout.flush()
if stream is not None:
    stream.close()
