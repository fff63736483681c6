"""From a file to a `Config`, or to every fault of it in sentences."""

from __future__ import annotations

import difflib
import re
import stat
import tomllib
import typing
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from daemon.config.crossing import Crossing, Place, crossings
from daemon.config.models import Config
from daemon.config.places import SERVICE_CONFIGURATION, own_configuration, usual_journal
from daemon.config.probe import Drivers, Probe, Source, input_section_of, section_of
from daemon.errors import BrinewrightError, ExitCode
from daemon.rights import missing_rights

if typing.TYPE_CHECKING:
    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

USUAL_PLACES = (SERVICE_CONFIGURATION, Path("brinewright.toml"))
"""Looked at in this order, and before a user's own."""

_LONGEST_SHOWN = 60
_ECHOES = {"default_factory_not_called"}
"""Kinds of fault that only repeat that another key of the same table is wrong."""
_LARGEST_FILE = 1_000_000
_ACCOUNT = re.compile(r"://[^/\s]*@")
_POSITION = re.compile(
    r"^(?P<what>.*) \(at line (?P<line>\d+), column (?P<column>\d+)\)$", re.DOTALL
)


class ConfigError(BrinewrightError):
    """The configuration cannot be used.

    Attributes:
        faults: Every fault, each a sentence that names the file, the key, its
            value and what is allowed.
    """

    exit_code = ExitCode.CONFIG

    def __init__(self, faults: list[str]) -> None:
        """Keep the sentences."""
        super().__init__("\n".join(faults))
        self.faults = faults

    @property
    def sentences(self) -> tuple[str, ...]:
        """Every fault as a sentence."""
        return tuple(self.faults)


def find_config(explicit: Path | None = None) -> Path:
    """Return the file to read: the one given, or the first usual place that has one.

    Raises:
        ConfigError: None was given and no usual place has one.
    """
    if explicit is not None:
        return explicit
    own = own_configuration()
    places: tuple[Path, ...] = (*USUAL_PLACES, *(() if own is None else (own,)))
    for place in places:
        if _may_be(place):
            return place
    looked = " or ".join(str(place) for place in places)
    raise ConfigError([f"no configuration at {looked}; name one with --config PATH."])


def _may_be(place: Path) -> bool:
    """Say whether a file is there; where nobody may look, reading it says who may."""
    try:
        return stat.S_ISREG(place.stat().st_mode)
    except PermissionError:
        return True
    except OSError:
        return False


def load(path: Path | str, drivers: Drivers | None = None) -> Config:
    """Return the configuration in a TOML file, checked whole.

    Args:
        path: The file; relative paths inside it start from its folder.
        drivers: Of probes, which know their own keys; None where no probe is read, so that
            those keys are another process's to check.

    Raises:
        ConfigError: It cannot be read, or anything in it is wrong; all at once.
    """
    path = Path(path)
    return parse(_read(path), path, drivers)


def parse(text: str, path: Path, drivers: Drivers | None = None) -> Config:
    """Return the configuration in `text`, which stands, or could stand, at `path`; see `load`.

    Raises:
        ConfigError: Anything in it is wrong; all at once.
    """
    raw = _with_journal(_tables(text, path), path)
    faults = [_crossing_sentence(path, raw, one) for one in crossings(raw, drivers)]
    try:
        config = Config.model_validate(raw, context={"folder": path.parent, "drivers": drivers})
    except ValidationError as exc:
        found = exc.errors(include_url=False)
        own = [_sentence(path, raw, one, drivers) for one in found if one["type"] not in _ECHOES]
        faults = own + faults
    if faults:
        raise ConfigError(faults)
    return config


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_FILE:
            raise ConfigError([f"{path}: larger than a megabyte, which no configuration is."])
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as exc:
        reason = "there is no such file"
        raise ConfigError([f"{path}: {reason}; name one with --config PATH."]) from exc
    except IsADirectoryError as exc:
        raise ConfigError([f"{path}: this is a folder; name the file in it."]) from exc
    except UnicodeDecodeError as exc:
        where = f"byte {exc.start + 1}"
        raise ConfigError([f"{path}: not UTF-8 text at {where}; save it as UTF-8."]) from exc
    except OSError as exc:
        lacking = missing_rights(path) if isinstance(exc, PermissionError) else ""
        fault = lacking or f"{path}: cannot be read: {exc.strerror or exc}."
        raise ConfigError([fault]) from exc
    except ValueError as exc:
        raise ConfigError([f"{str(path)!r} is not the path of a file: {exc}."]) from exc


def _tables(text: str, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError as exc:
        raise ConfigError([f"{path}: brackets are nested too deeply to be read."]) from exc
    except ValueError as exc:
        raise ConfigError([f"{path}: {_syntax(str(exc))}"]) from exc


def _with_journal(raw: dict[str, Any], path: Path) -> dict[str, Any]:
    """Return the tables with the place of the journal, also where the file does not say it."""
    section = raw.get("journal", {})
    if not isinstance(section, dict) or "path" in section:
        return raw
    return {**raw, "journal": {"path": str(usual_journal(path)), **section}}


def _syntax(message: str) -> str:
    placed = _POSITION.match(message)
    if placed is None:
        return f"not valid TOML: {message}."
    return f"not valid TOML at line {placed['line']}, column {placed['column']}: {placed['what']}."


def _sentence(path: Path, raw: dict[str, Any], error: ErrorDetails, drivers: Drivers | None) -> str:
    place: Place = error["loc"]
    where = f"{path}: {_path_of(raw, place)}"
    model, field = _field_at(raw, place, drivers)
    if error["type"] == "extra_forbidden":
        return f"{where} is not a known key; {_nearest(model, str(place[-1]))}."
    allowed = (field.description if field else None) or "another value"
    if error["type"] == "missing":
        return f"{where} is missing; give {allowed}."
    why = f": {error['ctx']['error']}" if error["type"] == "value_error" else ""
    why = "" if why == ": neither" else why
    return f"{where} = {_shown(error['input'])} is not allowed{why}; give {allowed}."


def _crossing_sentence(path: Path, raw: dict[str, Any], fault: Crossing) -> str:
    if not _is_there(raw, fault.place):
        return f"{path}: {_path_of(raw, fault.place)} {fault.rule}."
    value = _at(raw, fault.place)
    return f"{path}: {_path_of(raw, fault.place)} = {_shown(value)} {fault.rule}."


def _at(raw: object, place: Place) -> object:
    for part in place:
        raw = raw[part]  # type: ignore[index]
    return raw


def _is_there(raw: object, place: Place) -> bool:
    try:
        _at(raw, place)
    except KeyError:
        return False
    return True


def _path_of(raw: object, place: Place) -> str:
    """Write a place as `reservoir[mix-1].probe[ct-1].baud`; without a name, by number."""
    written = ""
    for part in place:
        raw = _step(raw, part)
        if isinstance(part, int):
            name = raw.get("name") if isinstance(raw, dict) else None
            written += f"[{_plain(name) if isinstance(name, str) and name else part + 1}]"
        else:
            written += f".{_plain(part)}" if written else _plain(part)
    return written


def _step(raw: object, part: str | int) -> object:
    if isinstance(raw, dict):
        return raw.get(part)
    if isinstance(raw, list) and isinstance(part, int) and part < len(raw):
        return raw[part]
    return None


def _plain(text: str) -> str:
    short = text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "..."
    return short if short.isprintable() else repr(short)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    try:
        written = _ACCOUNT.sub("://(account)@", repr(value))
    except (ValueError, RecursionError):
        return "a value too large to show"
    return written if len(written) <= _LONGEST_SHOWN else written[:_LONGEST_SHOWN] + "..."


def _nearest(model: type[BaseModel], key: str) -> str:
    known = [field.alias or name for name, field in model.model_fields.items()]
    close = difflib.get_close_matches(key[:_LONGEST_SHOWN], known, n=1, cutoff=0.5)
    return f"the nearest is {close[0]}" if close else f"known here are {', '.join(known)}"


def _field_at(
    raw: object, place: Place, drivers: Drivers | None
) -> tuple[type[BaseModel], FieldInfo | None]:
    """Return the innermost table that holds a place, and the field there if known."""
    model: type[BaseModel] = Config
    field: FieldInfo | None = None
    for part in place:
        if isinstance(part, str):
            inner = _model_in(field.annotation) if field else None
            if inner is Probe:
                inner = section_of(raw, drivers)
            elif inner is Source:
                inner = input_section_of(raw, drivers)
            model = inner or model
            field = _fields_by_key(model).get(part)
        raw = _step(raw, part)
    return model, field


def _fields_by_key(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _model_in(annotation: object) -> type[BaseModel] | None:
    """Return the table that an annotation such as `tuple[Probe, ...]` speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in typing.get_args(annotation):
        found = _model_in(inner)
        if found is not None:
            return found
    return None
