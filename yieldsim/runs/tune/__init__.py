"""The run of `tune`: inputs to answer, summary, files."""
