"""What is connected to this machine that a probe could be read over, and who may use it."""

from daemon.probes.inventory.connection import Connection, Places, Way
from daemon.probes.inventory.listing import connections, plug_in_advice

__all__ = ["Connection", "Places", "Way", "connections", "plug_in_advice"]
