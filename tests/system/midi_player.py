"""A controller for the tests: a process with one MIDI output and one MIDI input on the JACK server, by rtmidi alone.

Arguments: the name of the client, and ``thru`` to send back whatever arrives. A line on standard input is sent: bytes
in hexadecimal; ``flood N`` sends N controllers as fast as it can. What arrives is written as a line each.
"""

import sys

import rtmidi

client, thru = sys.argv[1], "thru" in sys.argv[2:]
output = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=client)
output.open_virtual_port("out")
source = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=client)
source.ignore_types(sysex=False, timing=False, active_sense=True)


def take(event: tuple[list[int], float], _data: object) -> None:
    sys.stdout.write(bytes(event[0]).hex() + "\n")
    sys.stdout.flush()
    if thru:
        output.send_message(event[0])


source.set_callback(take)
source.open_virtual_port("in")
sys.stdout.write("ready\n")
sys.stdout.flush()
for line in sys.stdin:
    if line.startswith("flood"):
        for number in range(int(line.split()[1])):
            output.send_message([0xB0, 1, number % 128])
    else:
        output.send_message(bytes.fromhex(line))
source.close_port()
output.close_port()
