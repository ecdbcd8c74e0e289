"""The run of `trace`: inputs to answer, summary, files."""
