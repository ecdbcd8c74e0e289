"""The year of a body: how long it is, what parts it has."""
