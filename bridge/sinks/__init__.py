"""Who is told: OSC, MIDI, the page, the log."""
