"""`brinewright probe draft DRIVER`: a section that validates, to be checked and copied by hand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.output import emit, read_config
from daemon.config import ConfigError
from daemon.config.loading import find_config
from daemon.errors import InputError
from daemon.probes.draft import Answer, Draft, draft_faults, draft_section
from daemon.probes.draft.answers import device_answer, free_name, person_answers, with_more
from daemon.probes.draft.line_draft import line_answers
from daemon.probes.draft.new_file import write_new
from daemon.probes.draft.section_draft import drivers
from daemon.probes.inventory import connections
from daemon.probes.listening import Asking, listen
from daemon.probes.transport import SerialLine
from daemon.wire.listening.study import study

if TYPE_CHECKING:
    from daemon.config import Config

HEAD = """\
# A draft by 'brinewright probe draft'. What is marked CHECK is not known: see the
# manual. Copy the section below its [[reservoir]], an [[input]] to the end of the
# file; then 'brinewright status' says whether the file is right, and
# 'brinewright probe try' whether the instrument is.

"""


def add_to(app: typer.Typer) -> None:
    """Add the verb to its group."""
    app.command()(draft)


def draft(
    *,
    driver: Annotated[str, typer.Argument(help="Of the instrument, such as line or modbus.")],
    device: Annotated[
        str | None, typer.Argument(help="Its port, bus or device, as 'probe find' names it.")
    ] = None,
    name: Annotated[str | None, typer.Option(help="Of the probe or the input.")] = None,
    answers: Annotated[
        list[str] | None, typer.Option("--set", help="A key and its value, such as baud=19200.")
    ] = None,
    listen_s: Annotated[
        float,
        typer.Option("--listen", min=0, max=3600, help="Seconds to listen to a serial line first."),
    ] = 0.0,
    as_input: Annotated[
        bool, typer.Option("--input", help="A thermometer or pump contact on its own.")
    ] = False,
    out: Annotated[Path | None, typer.Option(help="A new file; the screen if left out.")] = None,
    config: Annotated[Path | None, typer.Option("--config", help="Configuration file.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one object.")] = False,
) -> None:
    """Write a section for an instrument; what nobody has answered is marked CHECK.

    A configuration is never written: copy the section into it yourself.
    """
    if driver not in drivers():
        raise InputError(f"no driver is called {driver!r}; there are {', '.join(drivers())}")
    settings, path = _configuration(config)
    said = person_answers(answers or [])
    known = device_answer(driver, device, connections(settings))
    if listen_s:
        known = with_more(known, _heard(driver, with_more(known, said), listen_s))
    section = draft_section(
        driver, name or free_name(driver, settings), with_more(known, said), as_input=as_input
    )
    _refuse(section)
    if out is not None:
        write_new(out, HEAD + section.text, path)
    facts = {
        "section": section.text,
        "unsure": list(section.unsure),
        "written_to": None if out is None else str(out),
    }
    where = "" if out is None else f"Written to {out}; no configuration was changed."
    emit(facts, as_json=as_json, text=where or HEAD + section.text)


def _configuration(path: Path | None) -> tuple[Config | None, Path | None]:
    """Return the configuration and its path; None for one that cannot be used and was not named."""
    try:
        return read_config(path), find_config(path)
    except ConfigError:
        if path is not None:
            raise
        return None, None


def _heard(driver: str, known: dict[str, Answer], listen_s: float) -> dict[str, Answer]:
    """Listen to a serial line, and return what it shows; nothing is sent but a request that is set.

    Raises:
        InputError: It is no line of text, or no port is named.
    """
    port = known.get("port")
    if driver != "line" or port is None:
        raise InputError("--listen is for driver line, and needs its port")
    baud = known.get("baud", Answer(9600)).value
    line = SerialLine(str(port.value), baud if isinstance(baud, int) else 9600)
    request = known.get("request", Answer("")).value
    asking = Asking(request.encode("ascii", "replace") if isinstance(request, str) else b"")
    heard = study([*listen(line, listen_s, asking)], asking.request)
    found = line_answers(heard, line, asking.request, asking.every_s)
    if found is None:
        raise InputError(
            f"what {line.port} says in {listen_s:g} s at {line.setting} gives no pattern; see"
            f" 'brinewright probe listen {line.port}', and for an instrument that waits for a"
            " request, whose manual has it, give --set 'request=READ?\\n'"
        )
    return {key: each for key, each in found.items() if key != "port"}


def _refuse(section: Draft) -> None:
    """End with what an answer does not allow: a section that does not validate is no draft.

    Raises:
        InputError: There is such an answer.
    """
    faults = draft_faults(section)
    if faults:
        said = " ".join(each.partition("draft.toml: ")[2] or each for each in faults)
        raise InputError(f"with these answers the section is not allowed: {said}")
