"""Published numbers, each kept once, and what this package makes of the same: `python tests/agree.py` prints both side by side."""
