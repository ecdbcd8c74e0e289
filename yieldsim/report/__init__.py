"""Floor 1: figures and pages, drawn from a Dataset and nothing else."""
