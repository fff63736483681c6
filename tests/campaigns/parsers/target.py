"""What a campaign plays a parser with, and bytes as they come from a line."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Target:
    """One parser.

    Attributes:
        name: Of it.
        read: Reads bytes, and says whether a value came of them.
        seeds: Bytes of which one comes.
    """

    name: str
    read: Callable[[bytes], bool]
    seeds: tuple[bytes, ...]


def chunks(data: bytes) -> Iterator[bytes]:
    """Chop bytes, at places that they say themselves."""
    at, step = 0, 1 + (data[0] % 7 if data else 0)
    while at < len(data):
        yield data[at : at + step]
        at += step
