"""The station: inputs in, entries out, and the snapshot of what is known."""
