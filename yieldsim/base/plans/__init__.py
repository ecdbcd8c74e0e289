"""Plans: what a run of several parts is asked, as frozen nouns."""
