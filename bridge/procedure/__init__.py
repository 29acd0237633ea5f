"""The calibration: which step, which tone, who moves, what is settled, what becomes a trim. Pure."""
