"""What every run does first: inputs, span, kernels."""
