"""The page of the present: what the water is, and what to do."""
