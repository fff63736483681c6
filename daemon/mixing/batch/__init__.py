"""One batch: its phases, salt, release, advice, lots and schedule."""
