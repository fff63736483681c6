"""The keys of an instrument on a serial line of text, and what must hold between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import AfterValidator, Field

from daemon.config.fields import one_of, text, whole
from daemon.config.probe import Occupation
from daemon.config.rules import Table, ordered
from daemon.probes.text_section import TextSource, ascii_only

if TYPE_CHECKING:
    from collections.abc import Iterator


def _timeout_s(given: dict[str, Any]) -> float:
    """Wait for an answer within the period; for one that sends without a request, three periods."""
    period_s: float = given.get("period_s", 2.0)
    return min(period_s, 2.0) if given.get("request") is not None else 3.0 * period_s


class LineSection(TextSource):
    """The section of `driver = "line"`: one instrument on a serial line of text.

    Attributes:
        port: Serial device.
        baud: Speed, Bd.
        bytesize: Data bits.
        parity: "N", "E" or "O".
        stopbits: Stop bits.
        request: What to send for a reading; None for one that sends without a request.
        timeout_s: Seconds without an answer until a reading counts as missing.
    """

    port: str = text("a serial device such as '/dev/ttyUSB0'")
    baud: int = whole(300, 921_600, "Bd", 9600)
    bytesize: Literal[7, 8] = one_of(7, 8, default=8)
    parity: Literal["N", "E", "O"] = one_of("N", "E", "O", default="N")
    stopbits: Literal[1, 2] = one_of(1, 2, default=1)
    request: Annotated[str, AfterValidator(ascii_only)] | None = text(
        "1 to 64 characters to send, for example 'READ?\\n'", None, 64
    )
    timeout_s: float = Field(
        default_factory=_timeout_s, ge=0.05, le=180, description="a number from 0.05 to 180 seconds"
    )

    @classmethod
    def crossings(cls, table: Table) -> Iterator[tuple[str, str]]:
        """Yield a wait beyond the next request, and what concerns the text."""
        if "request" in table:
            yield from ordered(table, "timeout_s", "period_s", "seconds", above=2.0)
        yield from super().crossings(table)

    @classmethod
    def occupies(cls, table: Table) -> Occupation | None:
        """Return the port: two that read it would each have a part of what comes."""
        port = table.get("port")
        return Occupation("port", port) if isinstance(port, str) and port else None
