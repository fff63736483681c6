"""The sink for a database that takes InfluxDB's v2 writes."""
