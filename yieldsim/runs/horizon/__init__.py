"""The run of `horizon`: inputs to answer, summary, files."""
