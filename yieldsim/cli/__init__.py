"""Floor 5: a thin shell: parse, call one run, print, exit code."""
