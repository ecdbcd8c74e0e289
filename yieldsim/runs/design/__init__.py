"""The run of `design`: combinations to the lightest system, proven, with its files."""
