"""What the service may cost: every budget measured beside its floor, in one run."""
