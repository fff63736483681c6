"""`brinewright probe listen PORT`: raw bytes beside text, and which settings would read them."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.cli.output import NOT_SO, json_line, print_text
from daemon.cli.sentences import wrapped
from daemon.errors import InputError
from daemon.probes.draft.line_draft import draft_of_line
from daemon.probes.listening import Asking, listen, try_settings
from daemon.probes.transport import SerialLine
from daemon.wire.line import unescaped
from daemon.wire.listening.appearance import Look
from daemon.wire.listening.findings import findings
from daemon.wire.listening.study import Chunk, Study, study

ROW = 16
READABLE = (Look.TEXT, Look.MODBUS, Look.SDI12)


class Parity(StrEnum):
    """Parity of a character."""

    NONE = "N"
    EVEN = "E"
    ODD = "O"


def add_to(app: typer.Typer) -> None:
    """Add the verb to its group."""
    app.command(name="listen")(listen_to)


def listen_to(
    # Opening it says which group is missing; typer would only say that it is not readable.
    port: Annotated[
        Path, typer.Argument(help="Serial port, such as /dev/ttyUSB0.", readable=False)
    ],
    baud: Annotated[int, typer.Option(min=50, max=4_000_000, help="Speed, Bd.")] = 9600,
    parity: Annotated[Parity, typer.Option(help="Parity of a character.")] = Parity.NONE,
    seconds: Annotated[float, typer.Option(min=0.1, max=3600, help="How long to listen.")] = 15.0,
    request: Annotated[
        str | None,
        typer.Option(help="Send this, such as 'READ?\\n'; nothing is sent without it."),
    ] = None,
    every: Annotated[float, typer.Option(min=0.1, max=3600, help="Seconds between two.")] = 2.0,
    search: Annotated[
        float, typer.Option(min=0, max=600, help="Seconds to try other speeds; 0 for none.")
    ] = 60.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one object per line.")] = False,
) -> None:
    """Show what an instrument says, and propose what would read it.

    Nothing is written to the instrument, unless --request says what. Ends with 1 where what
    comes cannot be read.
    """
    asking = Asking(_bytes(request), every)
    line = SerialLine(str(port), baud, parity=parity.value)
    if not as_json:
        print_text(wrapped(f"Listening to {port} at {line.setting} for {seconds:g} s.") + "\n")
    chunks = list(_print_chunks(listen(line, seconds, asking), as_json=as_json))
    result = study(chunks, asking.request)
    if result.appearance.look is Look.NOISE and search:
        line, result = _searched(line, result, asking, search, as_json=as_json)
    _report(result, line, asking, as_json=as_json)
    if result.appearance.look not in READABLE:
        raise typer.Exit(NOT_SO)


def _bytes(request: str | None) -> bytes:
    """Return a request as bytes; a shell passes a backslash and an n as two characters.

    Raises:
        InputError: It is empty, or more than ASCII.
    """
    if request is None:
        return b""
    written = unescaped(request)
    if not written.isascii() or not written:
        raise InputError("--request: give 1 or more characters of ASCII, such as 'READ?\\n'")
    return written.encode("ascii")


def _print_chunks(chunks: Iterator[Chunk], *, as_json: bool) -> Iterator[Chunk]:
    """Print what comes as it comes: time, bytes in hex, and the same as text."""
    for chunk in chunks:
        if as_json:
            facts = {"at_s": round(chunk.at_s, 3), "hex": chunk.data.hex()}
            print_text(json_line(facts))
        else:
            for start in range(0, len(chunk.data), ROW):
                print_text(_row(chunk, start))
        yield chunk


def _row(chunk: Chunk, start: int) -> str:
    data = chunk.data[start : start + ROW]
    text = "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in data)  # noqa: PLR2004 - ASCII
    at = f"{chunk.at_s:8.2f}" if start == 0 else " " * 8
    return f"{at}  {data.hex(' '):{3 * ROW}} {text}"


def _searched(
    line: SerialLine, first: Study, asking: Asking, limit_s: float, *, as_json: bool
) -> tuple[SerialLine, Study]:
    """Try other speeds and parities; return the setting that reads and what it shows."""
    each_s = 3.0 if first.period_s is None else max(0.5, 2.5 * first.period_s)
    if not as_json:
        print_text(f"\nThat is no text. Trying other speeds for at most {limit_s:g} s:")
    for trial in try_settings(line.port, limit_s, each_s, asking):
        if as_json:
            print_text(json_line({"setting": trial.line.setting, "looks_like": trial.look.value}))
        else:
            print_text(f"  {trial.line.setting:16} {trial.look.value}")
        if trial.look in READABLE:
            # A few bytes tell the speed; a pattern and a period need some messages.
            more_s = 3.0 + 3.0 * each_s if first.period_s is None else 4.5 * first.period_s
            more = list(_print_chunks(listen(trial.line, more_s, asking), as_json=as_json))
            return trial.line, study(more or trial.chunks, asking.request)
    return line, first


def _report(result: Study, line: SerialLine, asking: Asking, *, as_json: bool) -> None:
    said = findings(result, line.baud, was_asked=bool(asking.request))
    unsure = [] if result.proposal is None else list(result.proposal.unsure)
    if as_json:
        print_text(json_line(_facts(result, line, said, unsure)))
        return
    print_text("")
    for sentence in said:
        print_text(wrapped(sentence))
    if unsure:
        print_text("\nNot sure of:")
        for each in unsure:
            print_text(wrapped(f"- {each}.", "  "))
    draft = draft_of_line(result, line, asking.request, asking.every_s)
    if draft is not None:
        print_text("\nA section for the configuration (check it; nothing was written):\n")
        print_text(draft.brief)


def _facts(result: Study, line: SerialLine, said: list[str], unsure: list[str]) -> dict[str, Any]:
    facts: dict[str, Any] = {
        "looks_like": result.appearance.look.value,
        "baud": line.baud,
        "bytesize": result.appearance.bytesize,
        "parity": result.appearance.parity if line.parity == "N" else line.parity,
        "period_s": result.period_s,
        "findings": said,
        "unsure": unsure,
        "proposal": None,
    }
    if result.proposal is not None:
        facts["proposal"] = {
            "reply": result.proposal.reply,
            "decimal": result.proposal.decimal,
            "encoding": result.proposal.encoding,
            "units": result.proposal.units,
        }
    return facts
