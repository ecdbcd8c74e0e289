"""TOML text to checked models, with lines and likely keys."""
