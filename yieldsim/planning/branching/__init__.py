"""A closer bound for few whole units: cases by how many there are and which part of the sky they face, and the proof of each."""
