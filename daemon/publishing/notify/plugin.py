"""The plugin of the Apprise library for an address, without its 190 others, which are 10 MB."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from importlib import import_module
from pathlib import Path

from apprise import Apprise, plugins
from apprise.plugins import NotifyBase
from apprise.utils.parse import parse_list


def open_service(address: str) -> NotifyBase | None:
    """Return what delivers to an address; None where the library cannot use it."""
    plugin = plugin_of(address.partition("://")[0].lower())
    if plugin is None:
        # An address of a service's own web pages, perhaps: all plugins have to look at it.
        return _opened_by_library(address)
    if not plugin.enabled:
        return None
    try:
        settings = plugin.parse_url(address.replace("/#", "/%23"))
        return plugin(**settings) if settings else None
    except Exception:  # noqa: BLE001 - a plugin raises what it likes for an address it cannot use
        return None


@cache
def plugin_of(scheme: str) -> type[NotifyBase] | None:
    """Return the plugin of a scheme; None where no plugin has it."""
    for name in _modules_that_name(scheme):
        for each in vars(import_module(f"{plugins.__name__}.{name}")).values():
            if isinstance(each, type) and issubclass(each, NotifyBase) and scheme in _schemes(each):
                return each
    return None


def _schemes(plugin: type[NotifyBase]) -> list[str]:
    # One or several under each name, or none.
    both = plugin.protocol, plugin.secure_protocol
    found: list[str] = parse_list(*both)  # type: ignore[no-untyped-call]
    return found


def _modules_that_name(scheme: str) -> Iterator[str]:
    """Give the modules, or packages, of plugins that name a scheme: one of them must define it."""
    folder = Path(plugins.__path__[0])
    for file in sorted(folder.rglob("*.py")):
        if f'"{scheme}"' in file.read_text(encoding="utf-8"):
            yield file.relative_to(folder).parts[0].removesuffix(".py")


def _opened_by_library(address: str) -> NotifyBase | None:
    service = Apprise.instantiate(address, suppress_exceptions=True)
    return service if isinstance(service, NotifyBase) else None
