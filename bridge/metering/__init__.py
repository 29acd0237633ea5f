"""From samples to levels: VU ballistics, fine tone level, frequency, phase, peak, noise. Pure."""
