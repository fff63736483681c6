"""The keys of a text instrument on an I2C bus, and what must hold between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field

from daemon.config.fields import Section, number, text, whole
from daemon.config.probe import Occupation
from daemon.config.rules import Table, ordered, plain_number
from daemon.probes.text_section import TextSource, ascii_only
from daemon.wire.i2c import StatusBytes

if TYPE_CHECKING:
    from collections.abc import Iterator

FIRST_ADDRESS, LAST_ADDRESS = 0x08, 0x77
"""Those below and above are kept for other purposes.  Source: the I2C-bus specification, 3.1.12
(from memory)."""
WAIT_S = 0.6
PERIOD_S = 2.0
READING_S = 0.05
SPARE_S = 1.0
"""For an instrument that needs longer than its manual says; our own choice."""


def _device(value: object) -> object:
    """Return the path of a bus that is given by its number."""
    plain = isinstance(value, int) and not isinstance(value, bool)
    return f"/dev/i2c-{value}" if plain else value


def _timeout_s(given: dict[str, Any]) -> float:
    longest_s = max(PERIOD_S, given.get("wait_s", WAIT_S) + SPARE_S)
    return float(min(given.get("period_s", PERIOD_S), longest_s))


class I2cStatus(Section):
    """`status` of an instrument: what the byte before its text means.

    Attributes:
        data: Text follows.
        pending: It still works on the request; None where it has no such byte, as the next two.
        nothing: It has no request to answer.
        error: It did not understand the request.
    """

    data: int = whole(0, 255, "")
    pending: int | None = whole(0, 255, "", None)
    nothing: int | None = whole(0, 255, "", None)
    error: int | None = whole(0, 255, "", None)


class I2cSection(TextSource):
    """The section of `driver = "i2c"`: one text instrument on an I2C bus.

    Attributes:
        bus: Device of the bus, or its number.
        address: Seven bits.
        request: What to write for a reading; None for one that is only read.
        wait_s: Seconds between the request and the read.
        read_bytes: How many bytes are read, the status byte included.
        status: What that byte means; None where the text begins at once.
        timeout_s: Seconds after the request until a reading counts as missing.
    """

    bus: Annotated[str, BeforeValidator(_device)] = text(
        "the number of a bus such as 1, or its device such as '/dev/i2c-1'"
    )
    address: int = Field(
        ge=FIRST_ADDRESS,
        le=LAST_ADDRESS,
        description="an address of seven bits from 0x08 to 0x77 such as 0x64",
    )
    request: Annotated[str, AfterValidator(ascii_only)] | None = text(
        "1 to 32 characters to write, for example 'R'", None, 32
    )
    wait_s: float = number(0, 30, "seconds", WAIT_S)
    read_bytes: int = whole(1, 255, "bytes", 40)
    status: I2cStatus | None = Field(
        None, description="status bytes such as { data = 1, pending = 254, nothing = 255 }"
    )
    timeout_s: float = Field(
        default_factory=_timeout_s, ge=0.05, le=60, description="a number from 0.05 to 60 seconds"
    )

    @classmethod
    def crossings(cls, table: Table) -> Iterator[tuple[str, str]]:
        """Yield waits beyond one another, one byte for two meanings, and what concerns the text."""
        yield from ordered(table, "timeout_s", "period_s", "seconds", above=PERIOD_S)
        yield from _read_too_late(table)
        yield from _meant_twice(table)
        yield from super().crossings(table)

    @classmethod
    def occupies(cls, table: Table) -> Occupation | None:
        """Return the bus, which instruments share, and the address, which they do not."""
        bus, address = _device(table.get("bus")), table.get("address")
        if not isinstance(bus, str) or not bus or not isinstance(address, int):
            return None
        return Occupation("bus", bus, "i2c", f"address 0x{address:02x}", "address")

    @property
    def status_bytes(self) -> StatusBytes | None:
        """What the byte before the text means."""
        given = self.status
        if given is None:
            return None
        return StatusBytes(given.data, given.pending, given.nothing, given.error)


def _read_too_late(table: Table) -> Iterator[tuple[str, str]]:
    """Yield a wait that leaves no time for the read."""
    limit = "timeout_s" if "timeout_s" in table else "period_s"
    limit_s = plain_number(table, limit, PERIOD_S)
    wait_s = plain_number(table, "wait_s", WAIT_S if "request" in table else 0.0)
    if limit_s is not None and wait_s is not None and wait_s > limit_s - READING_S:
        key = "wait_s" if "wait_s" in table else limit
        yield key, f"leaves no {READING_S:g} s for the read between wait_s and {limit}"


def _meant_twice(table: Table) -> Iterator[tuple[str, str]]:
    """Yield a byte that would mean two things."""
    status = table.get("status")
    if not isinstance(status, dict):
        return
    first: dict[object, str] = {}
    for name, byte in status.items():
        if first.setdefault(byte, name) != name:
            yield "status", f"gives {byte!r} for both {first[byte]} and {name}"
