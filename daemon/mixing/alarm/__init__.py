"""The alarms: what each is, its life, and how many come at once."""
