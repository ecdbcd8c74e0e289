"""The live page: data and scripts of one HTML file."""
