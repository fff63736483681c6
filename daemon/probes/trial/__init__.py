"""Trying what is configured, for a short while and for a person: nothing is recorded."""
