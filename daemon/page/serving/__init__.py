"""Serves the page: sockets, connections, and who gives way to whom."""
