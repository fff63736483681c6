"""Calibrations: their history, how a cell drifts, and the routine that runs."""
