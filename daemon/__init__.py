"""The service: reads probes on a mixing reservoir and says when the batch is right."""

__version__ = "0.1.0"
