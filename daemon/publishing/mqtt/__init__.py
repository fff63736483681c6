"""The sink for an MQTT broker, with discovery and commands."""
