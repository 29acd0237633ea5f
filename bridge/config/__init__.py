"""The config file: TOML in, frozen settings or a list of faults out."""
