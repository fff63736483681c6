"""Tests of the trend of the journal."""
