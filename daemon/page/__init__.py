"""The status page and the metrics: read from the journal, served over HTTP, nothing else."""
