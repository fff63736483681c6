"""The read-only interface for programs: JSON, and its description."""
