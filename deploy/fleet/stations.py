"""`deploy/fleet/provision`: a new station by one command, or one that goes.

A fleet's folder holds `station.toml`, what every station begins with; `shared/`, what each gets a
copy of, such as the authority's certificate and the database's token; `passwords`, the broker's
accounts; and what is written here: `stations/NAME/`, all that goes to the board, and
`targets/NAME.json`, from where a metrics server reads.  An executable `reload` there, if there is
one, has the broker read its accounts again.

Whatever is interrupted is finished by the same command: a station is there once its folder has its
name, and that is the last thing that happens.
"""

from __future__ import annotations

import argparse
import fcntl
import importlib.util
import json
import re
import secrets
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from deploy.fleet import accounts
from deploy.fleet.errors import FleetError, MissingError, UsageError

FOLDER = Path("/srv/brinewright")
PORT = 8407
NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?")
"""As the service takes them: no sign in one has a meaning for a broker, a folder or a shell."""
SIMULATED = "simulated-"
"""Names of `brinewright simulate fleet`."""
ADDRESS = re.compile(
    r"(?P<host>[A-Za-z0-9](?:[A-Za-z0-9.-]{0,251}[A-Za-z0-9])?)(?::(?P<port>\d{1,5}))?"
)
LONGEST_LABEL = 60
LAST_PORT = 65_535
PRIVATE, SHOWN = 0o600, 0o640


@dataclass(frozen=True, slots=True)
class Fleet:
    """The folder of a fleet.

    Attributes:
        folder: It.
    """

    folder: Path

    @property
    def template(self) -> Path:
        """What every station begins with."""
        return self.folder / "station.toml"

    @property
    def passwords(self) -> Path:
        """The broker's accounts."""
        return self.folder / "passwords"

    @property
    def stations(self) -> Path:
        """Holds a folder for each station."""
        return self.folder / "stations"

    @property
    def targets(self) -> Path:
        """Holds where the metrics of each are read."""
        return self.folder / "targets"

    def station(self, name: str) -> Path:
        """Return the folder of a station."""
        return self.stations / name

    def unfinished(self, name: str) -> Path:
        """Return where the folder of a station is made before it gets its name."""
        return self.stations / f".{name}.new"

    def target(self, name: str) -> Path:
        """Return the file that says where the metrics of a station are read."""
        return self.targets / f"{name}.json"

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Let nobody else change it meanwhile.

        Raises:
            MissingError: There is no such folder, or no template in it.
        """
        try:
            self.stations.mkdir(exist_ok=True, mode=0o700)
            self.targets.mkdir(exist_ok=True)
            with (self.folder / ".lock").open("w") as file:
                fcntl.flock(file, fcntl.LOCK_EX)
                yield
        except FileNotFoundError as exc:
            raise MissingError(f"there is no {exc.filename}: make it as the guide says") from exc
        except PermissionError as exc:
            raise MissingError(f"{exc.filename} may not be changed by you: use sudo") from exc


def add(fleet: Fleet, name: str, address: str, label: str) -> str:
    """Provision a station; return what was done, as a sentence.

    Raises:
        FleetError: The name is taken.
        UsageError: Name, address or label cannot be used.
        MissingError: Something that it needs is not there.
    """
    _check_name(name)
    host, port = _address(address)
    _check_label(label)
    with fleet.locked():
        place, unfinished = fleet.station(name), fleet.unfinished(name)
        known = accounts.names(fleet.passwords)
        if place.exists():
            if name in known and fleet.target(name).exists():
                return f"{name} is provisioned already, in {place}; nothing was changed"
            raise FleetError(
                f"{place} is there without its account or its target; withdraw {name}, then add it"
            )
        if name in known and not unfinished.exists():
            raise FleetError(
                f"the account {name} belongs to another station or service; choose another name"
            )
        shutil.rmtree(unfinished, ignore_errors=True)
        text = _configuration(fleet.template, name, label or name, port)
        password = secrets.token_urlsafe(24)
        _fill(fleet, unfinished, text, password)
        accounts.set_password(fleet.passwords, name, password)
        target = [{"targets": [f"{host}:{port}"], "labels": {"station": name}}]
        _write(fleet.target(name), json.dumps(target) + "\n", 0o644)
        unfinished.rename(place)
        told = _reload(fleet)
    return (
        f"{name} is provisioned: take all of {place} to /etc/brinewright of the board, owned by"
        f" brinewright; {told}"
    )


def withdraw(fleet: Fleet, name: str) -> str:
    """Take a station's account, secrets and target away; return what was done, as a sentence.

    Raises:
        FleetError: There is none of that name.
        UsageError: It is no name.
        MissingError: The fleet's folder is not there.
    """
    _check_name(name)
    with fleet.locked():
        places = [fleet.station(name), fleet.unfinished(name)]
        if not any(each.exists() for each in places) and not fleet.target(name).exists():
            raise FleetError(f"there is no station {name}; `provision list` names those there are")
        # The account first: whatever happens then, nobody gets in by it any more.
        accounts.remove(fleet.passwords, name)
        fleet.target(name).unlink(missing_ok=True)
        for each in places:
            shutil.rmtree(each, ignore_errors=True)
        told = _reload(fleet)
    return (
        f"{name} is withdrawn; {told}; what the broker retains of it is cleared by: mosquitto_sub"
        f" --remove-retained -t 'brinewright/{name}/#' -W 5"
    )


def listing(fleet: Fleet) -> list[str]:
    """Return a line for each station: its name, where it is read, and what is wrong.

    Raises:
        MissingError: The fleet's folder is not there.
    """
    lines = []
    with fleet.locked():
        known = accounts.names(fleet.passwords)
        for place in sorted(fleet.stations.iterdir()):
            name = place.name.removeprefix(".").removesuffix(".new")
            if place.name != name:
                lines.append(f"{name}: unfinished; add it once more, or withdraw it")
                continue
            target = fleet.target(name)
            read = json.loads(target.read_text())[0]["targets"][0] if target.exists() else ""
            wrong = "" if read else "; no target"
            wrong += "" if name in known else "; no account"
            lines.append(f"{name}: {read or 'not read'}{wrong}")
    return lines


def _check_name(name: str) -> None:
    if not NAME.fullmatch(name):
        raise UsageError(
            f"{name[:63]!r} is no name of a station: 1 to 63 characters a-z, 0-9 and inner hyphens"
        )
    if name.startswith(SIMULATED):
        raise UsageError(f"names that begin with {SIMULATED} are for simulated stations")


def _address(text: str) -> tuple[str, int]:
    match = ADDRESS.fullmatch(text)
    port = int(match["port"] or PORT) if match else 0
    if match is None or not 0 < port <= LAST_PORT:
        raise UsageError(f"{text[:80]!r} is no address: HOST or HOST:PORT, without http://")
    return match["host"], port


def _check_label(label: str) -> None:
    if len(label) > LONGEST_LABEL or not label.isprintable() or label != label.strip():
        raise UsageError(f"a label has at most {LONGEST_LABEL} signs that can be printed")


def _configuration(template: Path, name: str, label: str, port: int) -> str:
    """Return the whole configuration of a station.

    Raises:
        MissingError: The template is not there, is no TOML, or lacks what is to be filled in.
    """
    text = template.read_text(encoding="utf-8")
    values = {"STATION": name, "LABEL": json.dumps(label), "LISTEN": f"0.0.0.0:{port}"}
    code = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("#"))
    if "@STATION@" not in code:
        raise MissingError(f"{template} names no @STATION@, so all stations would be one")
    for key, value in values.items():
        text = text.replace(f"@{key}@", value)
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as exc:
        raise MissingError(f"{template} does not become a configuration: {exc}") from exc
    if faults := _faults(text, template):
        raise MissingError(faults[0])
    return text


def _faults(text: str, template: Path) -> list[str]:
    """Return what the service itself has against a configuration; none where it is not installed.

    The service checks it again at its start.
    """
    if importlib.util.find_spec("pydantic") is None:
        return []
    from daemon.config.loading import ConfigError, parse  # noqa: PLC0415 - may not be installed
    from daemon.probes.registry import SECTIONS  # noqa: PLC0415 - as above

    try:
        parse(text, template, SECTIONS)
    except ConfigError as exc:
        return exc.faults
    return []


def _fill(fleet: Fleet, place: Path, text: str, password: str) -> None:
    """Write all that goes to the board into a new folder that nobody else may enter."""
    place.mkdir(mode=0o700)
    shared = fleet.folder / "shared"
    for each in sorted(shared.iterdir()) if shared.is_dir() else []:
        _write(place / each.name, each.read_text(encoding="utf-8"), PRIVATE)
    _write(place / "brinewright.toml", text, SHOWN)
    _write(place / "mqtt-password", f"{password}\n", PRIVATE)


def _write(path: Path, text: str, mode: int) -> None:
    path.unlink(missing_ok=True)
    path.touch(mode=PRIVATE)
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)


def _reload(fleet: Fleet) -> str:
    """Have the broker read its accounts again; return that it does, or how to have it done."""
    program = fleet.folder / "reload"
    if not program.exists():
        return "have the broker read its accounts again: sudo systemctl reload mosquitto"
    done = subprocess.run([program], capture_output=True, text=True, check=False)  # noqa: S603 - the keeper's own
    if done.returncode:
        return f"{program} failed ({done.stderr.strip() or done.returncode}); run it by hand"
    return "the broker knows"


def main(arguments: Sequence[str] | None = None) -> int:
    """Do what the command line asks for; return its exit code."""
    parser = argparse.ArgumentParser(prog="provision", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--fleet", type=Path, default=FOLDER, help=f"its folder [{FOLDER}]")
    verbs = parser.add_subparsers(required=True, dest="verb", metavar="VERB")
    adding = verbs.add_parser("add", help="provision a station")
    adding.add_argument("name")
    adding.add_argument("--address", required=True, help="where its metrics are read: HOST[:PORT]")
    adding.add_argument("--label", default="", help="what people call it")
    verbs.add_parser("withdraw", help="take one away").add_argument("name")
    verbs.add_parser("list", help="name them")
    asked = parser.parse_args(arguments)
    fleet = Fleet(asked.fleet)
    try:
        if asked.verb == "list":
            said = "\n".join(listing(fleet)) or "there is no station yet"
        elif asked.verb == "withdraw":
            said = withdraw(fleet, asked.name)
        else:
            said = add(fleet, asked.name, asked.address, asked.label)
    except FleetError as exc:
        sys.stderr.write(f"provision: {exc}\n")
        return exc.code
    sys.stdout.write(f"{said}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
