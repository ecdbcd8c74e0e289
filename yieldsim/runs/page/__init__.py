"""A saved estimate as a page on which mounts are turned by hand."""
