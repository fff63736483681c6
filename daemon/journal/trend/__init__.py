"""A year of readings as a few thousand buckets, beside their journal."""
