"""Floor 1: input files to nouns, kernels and rasters opened, results written whole or not at all."""
