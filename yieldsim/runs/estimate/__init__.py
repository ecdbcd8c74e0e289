"""The run of `estimate`: inputs to answer, summary, files."""
