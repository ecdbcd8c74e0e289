"""The run of `rank`: inputs to answer, summary, files."""
