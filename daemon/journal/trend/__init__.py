"""A year of readings as a few thousand buckets, beside the journal that they are made of."""
