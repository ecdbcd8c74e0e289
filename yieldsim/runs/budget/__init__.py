"""The run of `budget`: inputs to answer, summary, files."""
