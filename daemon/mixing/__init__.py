"""The pure heart: seawater, quality, stability, dosing, batches, alarms, station."""
