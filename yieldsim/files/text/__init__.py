"""Text, paths, moments and the files that come with the package."""
