"""What home-automation hubs are sent: devices, their entities, and when they are announced."""
