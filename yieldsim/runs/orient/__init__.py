"""The run of `orient`: inputs to answer, summary, files."""
