"""What all pages share: style, typesetting, axes of time, warnings."""
