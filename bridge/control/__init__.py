"""From OSC, MIDI and the page to commands."""
