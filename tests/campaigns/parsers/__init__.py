"""Hostile bytes for every parser of what instruments say."""
