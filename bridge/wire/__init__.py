"""Bytes on the outside: the OSC codec, sockets, MIDI ports that come and go."""
