"""Where samples come from: the audio interface, a recording, or the simulated recorder."""
