"""The keys of an instrument that speaks Modbus, and what must hold between them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from pydantic import Field

from daemon.config.fields import Section, number, one_of, text, whole
from daemon.config.probe import IndicatingSource, Occupation, Quantity
from daemon.config.rules import Table, ordered

if TYPE_CHECKING:
    from collections.abc import Iterator

Function: TypeAlias = Literal[3, 4]
QUANTITIES: tuple[Quantity, ...] = ("conductivity", "temperature", "pump")
OF_A_PORT = ("baud", "parity", "stopbits")
LONG = ("int32", "uint32", "float32")
ORDERS = "'ABCD', 'CDAB', 'BADC', 'DCBA'"
COUNTED = "a whole number from 0 to 65535, counted from 0"
LAST_REGISTER = 65_535
HIGHEST_UNIT = 247
"""On a serial line; section 2.2 of the guide to Modbus over Serial Line."""


def _timeout_s(given: dict[str, Any]) -> float:
    period_s: float = given.get("period_s", 2.0)
    return min(0.5, period_s)


class NumberRegister(Section):
    """Where a number stands, and how.

    Attributes:
        first: Its register, or the first one of two, counted from 0 as in the request; `register`
            in the file.
        function: 3 for holding, 4 for input registers.
        format: Whole number of 16 or 32 bits, or floating-point number of 32.
        word_order: Of its four bytes, A being the most significant; None for 16 bits.
        factor: What it is multiplied by.
        offset: What is added after that.
    """

    first: int = Field(ge=0, le=65_535, alias="register", description=COUNTED)
    function: Function = one_of(3, 4, default=3)
    format: Literal["int16", "uint16", "int32", "uint32", "float32"] = one_of(
        "int16", "uint16", "int32", "uint32", "float32"
    )
    word_order: Literal["ABCD", "CDAB", "BADC", "DCBA"] | None = one_of(
        "ABCD", "CDAB", "BADC", "DCBA", default=None
    )
    factor: float = number(-1e6, 1e6, "", 1.0)
    offset: float = number(-1e6, 1e6, "", 0.0)


class SwitchRegister(Section):
    """Where it stands whether a pump runs.

    Attributes:
        first: Its register, counted from 0 as in the request; `register` in the file.
        function: 3 for holding, 4 for input registers.
        bit: Which bit of it says so, 0 for the least significant; None where it is 0 or 1 whole.
    """

    first: int = Field(ge=0, le=65_535, alias="register", description=COUNTED)
    function: Function = one_of(3, 4, default=3)
    bit: int | None = whole(0, 15, "", None)


class ModbusSection(IndicatingSource):
    """The section of `driver = "modbus"`: one unit on a serial line or behind a TCP port.

    Attributes:
        port: Serial device of the line, RTU; None for TCP.
        baud: Speed, Bd.
        parity: "N", "E" or "O".
        stopbits: Stop bits.
        host: Name or address, TCP; None for a serial line.
        tcp_port: Of the host.
        unit: Address of the unit on the line, or behind the host.
        timeout_s: Seconds until an answer counts as missing.
        conductivity: Its registers; None where the unit gives none.
        temperature: Likewise.
        pump: Likewise.
    """

    port: str | None = text("a serial device such as '/dev/ttyUSB0'", None)
    baud: int = whole(300, 921_600, "Bd", 9600)
    parity: Literal["N", "E", "O"] = one_of("N", "E", "O", default="N")
    stopbits: Literal[1, 2] = one_of(1, 2, default=1)
    host: str | None = text("a name or an address such as '192.0.2.7'", None)
    tcp_port: int = whole(1, 65_535, "", 502)
    unit: int = whole(0, 255, "")
    timeout_s: float = Field(
        default_factory=_timeout_s, ge=0.05, le=10, description="a number from 0.05 to 10 seconds"
    )
    conductivity: NumberRegister | None = Field(
        None,
        description="a table such as { register = 0, format = 'float32', word_order = 'ABCD' }",
    )
    temperature: NumberRegister | None = Field(
        None, description="a table such as { register = 2, format = 'int16', factor = 0.1 }"
    )
    pump: SwitchRegister | None = Field(
        None, description="a table such as { register = 8, function = 4, bit = 0 }"
    )

    @classmethod
    def crossings(cls, table: Table) -> Iterator[tuple[str, str]]:
        """Yield two ways or none, keys of the other way, and registers that cannot be read."""
        yield from super().crossings(table)
        yield from _ways(table)
        yield from ordered(table, "timeout_s", "period_s", "seconds", above=2.0)
        if not any(key in table for key in QUANTITIES):
            rule = "is missing, and so are temperature and pump; give the registers of one of them"
            yield "conductivity", rule
        for key in ("conductivity", "temperature"):
            register = table.get(key)
            if isinstance(register, Mapping):
                yield from _of_a_number(key, register)

    @classmethod
    def occupies(cls, table: Table) -> Occupation | None:
        """Return the line or the host; sections on one line must agree on how it is set."""
        port, host = table.get("port"), table.get("host")
        if isinstance(port, str) and port:
            setting = f"{table.get('baud', 9600)} 8{table.get('parity', 'N')}"
            return Occupation("port", port, f"modbus at {setting}{table.get('stopbits', 1)}")
        if isinstance(host, str) and host:
            return Occupation("host", f"{host}:{table.get('tcp_port', 502)}", "modbus over TCP")
        return None

    @property
    def needs_network(self) -> bool:
        """Whether its unit is behind a host."""
        return self.host is not None

    @classmethod
    def gives(cls, table: Table) -> frozenset[Quantity]:
        """Return what it has registers for."""
        return frozenset(each for each in QUANTITIES if each in table)

    @classmethod
    def lack(cls, quantity: Quantity) -> tuple[str, str]:
        """Return that the registers of a quantity are missing."""
        allowed = cls.model_fields[quantity].description
        return quantity, f"is missing; give {allowed}"


def _ways(table: Table) -> Iterator[tuple[str, str]]:
    if "port" in table and "host" in table:
        yield (
            "host",
            "stands beside port; a unit is on a serial line or behind a host: leave one out",
        )
    elif "port" not in table and "host" not in table:
        yield "port", "is missing; give a serial device such as '/dev/ttyUSB0', or host for TCP"
    elif "host" in table:
        for key in OF_A_PORT:
            if key in table:
                yield key, "is for a serial line and stands beside host; leave it out"
    else:
        unit = table.get("unit")
        if "tcp_port" in table:
            yield "tcp_port", "is for a host and stands beside port; leave it out"
        if isinstance(unit, int) and unit in {0, *range(HIGHEST_UNIT + 1, 256)}:
            yield "unit", f"must be from 1 to {HIGHEST_UNIT} on a serial line"


def _of_a_number(key: str, register: Table) -> Iterator[tuple[str, str]]:
    form, first = register.get("format"), register.get("register")
    if form in LONG:
        if "word_order" not in register:
            yield f"{key}.word_order", f"is missing; a number of 32 bits needs one of {ORDERS}"
        if first == LAST_REGISTER:
            rule = f"must be below {LAST_REGISTER}: a number of 32 bits takes the next one as well"
            yield f"{key}.register", rule
    elif form is not None and "word_order" in register:
        rule = "is for a number of 32 bits and stands beside a format of 16; leave it out"
        yield f"{key}.word_order", rule
    if register.get("factor") == 0:
        yield f"{key}.factor", "must not be 0, which makes every number the same"
