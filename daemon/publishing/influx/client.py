"""The database's client library, loaded without numpy.

It takes numpy where it finds it, to write numbers of numpy's types.  We give it none, and numpy
is 12 MB in a process that has no other use for it until certain pages are opened.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.abc import MetaPathFinder
from threading import get_ident
from types import ModuleType

UNWANTED = "numpy"


class _Refusing(MetaPathFinder):
    """Finds no numpy for this thread; others may load it meanwhile."""

    def __init__(self) -> None:
        self._thread = get_ident()

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None, /
    ) -> None:
        del path, target
        if fullname == UNWANTED and get_ident() == self._thread:
            raise ModuleNotFoundError(f"{UNWANTED} is of no use here", name=UNWANTED)


@contextmanager
def _without_numpy() -> Iterator[None]:
    refusing = _Refusing()
    sys.meta_path.insert(0, refusing)
    try:
        yield
    finally:
        sys.meta_path.remove(refusing)


with _without_numpy():
    from influxdb_client import InfluxDBClient, PingService, Point, WriteService
    from influxdb_client.rest import ApiException

__all__ = ["ApiException", "InfluxDBClient", "PingService", "Point", "WriteService"]
