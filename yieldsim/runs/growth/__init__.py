"""The run of `growth`: phases to flights, proven, with the files of every phase."""
