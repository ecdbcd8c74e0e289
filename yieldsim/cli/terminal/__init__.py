"""What the commands say and hear: streams, progress, signals, widths."""
