"""Floor 0: constants, nouns, words, errors and the small mathematics every room shares."""
