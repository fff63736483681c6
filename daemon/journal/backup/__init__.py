"""All records in one file, and back."""
