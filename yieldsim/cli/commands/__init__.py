"""One module a group of commands: parse, call one run, print."""
