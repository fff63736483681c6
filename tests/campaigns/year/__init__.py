"""A simulated year of one reservoir at a reading a second."""
