"""What does not fit together in ``[midi]`` is said in one line each."""

from pathlib import Path

import pytest

from bridge.config.faults import ConfigFaults
from bridge.config.load import loads

MACHINE = '[machine]\nname = "a"\ntracks = 8\n'
NOTE = '[[midi.bind]]\nmessage = "note"\n'
METER = '[[midi.meter]]\nport = "a"\n'
LAMP = '[[midi.lamp]]\nport = "a"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (NOTE, 'bind, entry 1, command: missing; must be "next"'),
        (NOTE + 'command = "record"\n', 'bind, entry 1, command = "record": must be "next"'),
        (NOTE + 'command = "tape play"\n', "needs machine_control = true in [midi]"),
        (NOTE + 'command = "step"\n', "argument: missing; step needs a number, or take"),
        (NOTE + 'command = "step"\nargument = 0\n', "argument = 0: counts from 1"),
        (NOTE + 'command = "step"\nargument = 2\ntake = "value"\n', "does not go together with take"),
        (NOTE + 'command = "next"\ntake = "value"\n', "next needs no argument"),
        (NOTE + 'command = "focus"\ntake = "turn"\n', 'an encoder sends message = "control"'),
        (NOTE + 'command = "note"\n', "text: missing; the command note needs what is to be written"),
        (
            NOTE + 'command = "confirm"\ntext = "coffee"\nwho = "me"\n',
            "must be an item of the preparation: monitors down",
        ),
        (NOTE + 'command = "confirm"\ntext = "monitors down"\n', "who: missing; confirm needs who does it"),
        (NOTE + 'command = "next"\nlast_number = 5\n', "last_number = 5: needs number, the first of them"),
        (NOTE + 'command = "next"\nnumber = 9\nlast_number = 5\n', "needs number, the first of them"),
        (NOTE + 'command = "next"\nlowest_value = 9\nhighest_value = 5\n', "is above highest_value"),
        (NOTE + 'command = "next"\nhighest_value = 128\n', "must be from 0 to 127 for note"),
        ('[[midi.bind]]\nmessage = "start"\ncommand = "next"\nlowest_value = 1\n', "start carries no value"),
        (
            '[[midi.bind]]\nmessage = "control"\ncommand = "next"\nhighest_value = 63\n',
            "needs lowest_value: without one only 64 and more count",
        ),
        (NOTE + 'command = "next"\ndata = "7D"\n', 'goes with message = "system exclusive" only'),
        (NOTE + 'command = "next"\noffset = 1\n', 'goes with take = "number" or "value" only'),
        (NOTE + 'command = "next"\nnumber = 128\n', "must be from 0 to 127 for note"),
        ('[[midi.bind]]\nmessage = "start"\ncommand = "focus"\ntake = "value"\n', "start carries no value"),
        ('[[midi.bind]]\nmessage = "start"\ncommand = "next"\nnumber = 1\n', "start carries no number"),
        ('[[midi.bind]]\nmessage = "control"\ncommand = "log"\ntake = "turn"\n', "a turn shall not log"),
        (
            '[[midi.bind]]\nmessage = "registered parameter"\ncommand = "focus"\ntake = "turn"\n'
            'encoder = "offset 64"\n',
            'goes with take = "turn" and message = "control" only',
        ),
        ('[[midi.bind]]\nmessage = "control 14 bit"\nnumber = 32\ncommand = "next"\n', "are 0 to 31"),
        ('[[midi.bind]]\nmessage = "system exclusive"\ncommand = "next"\ndata = "F0 01"\n', "each from 00 to 7F"),
        (
            NOTE + 'command = "next"\nnumber = 1\nlast_number = 128\n',
            "last_number = 128: must be from 0 to 127 for note",
        ),
        (NOTE + 'command = "next"\nshare = 0.1\n', 'goes with command = "practice turn" only'),
        (NOTE + 'command = "practice turn"\nshare = 0\n', "0 turns nothing"),
        (NOTE + 'command = "practice turn"\nargument = 0\n', "counts from 1"),
        (NOTE + 'command = "practice turn"\ntext = "volume"\n', "must be a trimmer: repro level"),
        (NOTE + 'command = "practice turn"\ntake = "range"\n', 'practice turn takes "turn"'),
        (NOTE + 'command = "practice path"\n', "must be a path: repro"),
        (NOTE + 'command = "back"\nhz = 1000\n', 'goes with command = "practice tone" only'),
        (
            '[[midi.bind]]\nmessage = "registered parameter"\nnumber = 16384\ncommand = "next"\n',
            "must be a whole number from 0 to 16383",
        ),
        (METER + "center = 128\n", "must be from 0 to 127 for control"),
        (METER + "number = 120\nplaces = 1\n", "120 to 127 are channel mode messages"),
        (METER + "number = 115\nplaces = 8\n", "goes beyond controller 119: 5 fit"),
        (METER + 'message = "control 14 bit"\nnumber = 32\n', "controllers of 14 bits are 0 to 31"),
        (METER + 'message = "control 14 bit"\nnumber = 30\n', "goes beyond controller 31: 2 fit"),
        (METER + 'message = "pitch bend"\nchannel = 10\n', "goes beyond channel 16: 7 fit"),
        (METER + "places = 4\nfull_scale_db = 0\n", "must be a number above 0, up to 60 dB"),
        (LAMP + "number = 121\n", "goes beyond note 127: 7 fit"),
        ("[midi]\nmachine_control = true\n", "needs machine_port, the output that leads to the recorder"),
        ("[midi]\nlocate_on_step = true\n", "needs machine_control = true"),
        ('[[midi.tone]]\nhz = 1000\nposition = "1:2:3:4"\n', 'such as "01:00:10:00"'),
        ('[[midi.tone]]\nhz = 1000\nposition = "24:00:00:00"\n', 'such as "01:00:10:00"'),
        (
            '[[machine.speeds]]\nips = 15\nequalization = "iec1"\n'
            '[[machine.speeds]]\nips = 7.5\nequalization = "iec1"\n'
            '[[midi.tone]]\nhz = 1000\nspeed_ips = 30\nposition = "01:00:10:00"\n',
            "tone, entry 1, speed_ips = 30: the machine has no such speed: it has 15, 7.5 in/s",
        ),
        (
            '[[midi.tone]]\nhz = 1000\nspeed_ips = 30\nposition = "01:00:10:00"\n',
            "tone, entry 1, speed_ips = 30: no step is at this speed: there are steps at 15 in/s",
        ),
        ("[midi]\nrecord = true\n", "unknown key"),
    ],
)
def test_it_is_said_in_one_line(text: str, said: str) -> None:
    with pytest.raises(ConfigFaults) as wrong:
        loads(MACHINE + text, Path("studio.toml"))
    assert len(wrong.value.faults) == 1
    assert said in str(wrong.value)


@pytest.mark.parametrize(
    "text",
    [
        METER + "number = 112\n",
        METER + 'message = "control 14 bit"\nnumber = 24\n',
        METER + 'message = "pitch bend"\nchannel = 9\n',
        METER + 'each_track = "next channel"\nnumber = 119\nplaces = 16\n',
        LAMP + "number = 120\n",
        NOTE + 'command = "log"\n',
        '[[midi.bind]]\nmessage = "non-registered parameter"\nnumber = 9\nlast_number = 16383\ncommand = "next"\n',
        '[[midi.bind]]\nmessage = "control"\ncommand = "practice turn"\ntake = "turn"\nargument = 3\n',
        '[[midi.bind]]\nmessage = "registered parameter"\ncommand = "focus"\ntake = "turn"\n',
        NOTE + 'command = "practice tone"\n',
        NOTE + 'command = "focus"\nargument = 0\n',
    ],
)
def test_what_just_fits_is_taken(text: str) -> None:
    loads(MACHINE + text, Path("studio.toml"))
