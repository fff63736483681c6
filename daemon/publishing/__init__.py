"""Sinks that tail the journal."""
