"""What people and automations may ask of the station."""
