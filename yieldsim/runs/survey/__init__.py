"""The run of `survey`: inputs to answer, summary, files."""
