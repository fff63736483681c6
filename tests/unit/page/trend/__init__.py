"""Tests of the trend room."""
