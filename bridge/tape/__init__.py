"""Arithmetic of tape: equalization, fluxivity, fringing, wavelength, running time, targets. Pure."""
