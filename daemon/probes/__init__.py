"""Drivers: turn what an instrument says into samples."""
