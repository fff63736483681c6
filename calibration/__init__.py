"""A library of its own for calibrating probes; nothing of the service is imported here."""
