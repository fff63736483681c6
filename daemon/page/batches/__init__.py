"""Batches and lots: the list, the record of one, several over one another, what each lot holds."""
