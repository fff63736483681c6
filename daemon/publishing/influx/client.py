"""What writes in the database's client library, without the management of a server beside it.

The library's packages load all that there is to manage, 400 modules of 13 MB, and numpy where they
find it, 12 MB more, to write numbers of numpy's types.  Writing lines needs none of it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.abc import MetaPathFinder
from importlib.util import find_spec, module_from_spec
from threading import get_ident
from types import ModuleType

LIBRARY = "influxdb_client"
INNER = ("client", "client.write", "domain", "service")
"""Packages of the library that load more than what is asked of them."""
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


def _bare_package(name: str) -> ModuleType:
    """Return a package whose `__init__` is not run, so that each of its modules loads alone.

    Raises:
        ModuleNotFoundError: It is not installed.
    """
    if name not in sys.modules:
        spec = find_spec(name)
        if spec is None:
            raise ModuleNotFoundError(f"{name} is not installed", name=name)
        sys.modules[name] = module_from_spec(spec)
    return sys.modules[name]


_library = _bare_package(LIBRARY)
for _inner in INNER:
    _bare_package(f"{LIBRARY}.{_inner}")

from influxdb_client.service.signin_service import SigninService  # noqa: E402
from influxdb_client.service.signout_service import SignoutService  # noqa: E402
from influxdb_client.version import VERSION  # noqa: E402

# What its own modules expect to find in it.
vars(_library).update(SigninService=SigninService, SignoutService=SignoutService, VERSION=VERSION)

with _without_numpy():
    from influxdb_client._sync.api_client import ApiClient
    from influxdb_client.client.write.point import Point
    from influxdb_client.configuration import Configuration
    from influxdb_client.rest import ApiException
    from influxdb_client.service.ping_service import PingService
    from influxdb_client.service.write_service import WriteService

__all__ = ["ApiClient", "ApiException", "Configuration", "PingService", "Point", "WriteService"]
