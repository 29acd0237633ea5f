"""Bytes on the outside: the OSC codec and its address space, UDP sockets, MIDI ports that come and go."""
