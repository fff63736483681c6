"""deploy/fleet/compose.yaml and deploy/fleet/debian, which arrange the same programs two ways.

What can be told without an engine; `python -m tests.campaigns.containers` runs the file.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
from pathlib import Path
from typing import Literal

import pytest
import yaml  # type: ignore[import-untyped]
from pydantic import BaseModel, ConfigDict, Field

from tests.docs.guides import text_of

FLEET = Path(__file__).parents[2] / "deploy/fleet"
DEBIAN = FLEET / "debian"
PLACES = {
    *("storageDataPath", "promscrape.config", "auth.config", "tlsCertFile", "tlsKeyFile"),
    *("rule", "config.file", "storage.path"),
}
"""Options that name a place, which differs in a container."""


class Strict(BaseModel):
    """Keys of the Compose specification that the file uses, and no others."""

    model_config = ConfigDict(extra="forbid", strict=True)


class Health(Strict):
    """How an engine looks whether a service is well.

    A list of words as `test` is what podman-compose 1.0 makes nonsense of.
    """

    test: str
    interval: str = Field(pattern=r"^\d+[ms]$")
    timeout: str = Field(pattern=r"^\d+s$")


class Service(Strict):
    """One container."""

    image: str = Field(pattern=r"^[a-z-]+(/[a-z-]+)?:v?\d+\.\d+\.\d+$")
    container_name: str = Field(pattern=r"^fleet-[a-z]+$")
    restart: Literal["unless-stopped"]
    network_mode: Literal["host"]
    healthcheck: Health
    volumes: list[str]
    command: list[str] = []
    environment: list[str] = []
    env_file: list[str] = []
    working_dir: str = ""


class Compose(Strict):
    """The whole file."""

    services: dict[str, Service]
    volumes: dict[str, dict[str, str]]


@pytest.fixture(scope="module")
def compose() -> Compose:
    """The file as it is."""
    return Compose.model_validate(
        yaml.safe_load((FLEET / "compose.yaml").read_text(encoding="utf-8"))
    )


def options(words: list[str]) -> dict[str, str]:
    """The options of a program that do not name a place, each with its value."""
    pairs = [word.lstrip("-").partition("=") for word in words]
    return {name: value for name, _, value in pairs if name not in PLACES}


def debian(name: str) -> list[str]:
    """The options that a file of deploy/fleet/debian gives its program."""
    text = (DEBIAN / name).read_text(encoding="utf-8").replace("\\\n", " ")
    (line,) = re.findall(r"^(?:ARGS|ExecStart)=(.+)$", text, re.MULTILINE)
    words = [each for each in shlex.split(line) if not each.startswith("/")]
    return words if name.endswith(".service") else shlex.split(words[0])


def test_the_file_is_of_the_form_that_engines_read(compose: Compose) -> None:
    """Each service is there, called like its container; no key is misspelt."""
    names = {"broker", "database", "gate", "rules", "notifier", "dashboard"}

    assert names == compose.services.keys()
    assert {f"fleet-{name}" for name in names} == {
        each.container_name for each in compose.services.values()
    }


def test_what_is_mounted_is_there_and_what_is_kept_has_a_volume(compose: Compose) -> None:
    """Files of ours exist, those of the keeper come from `prepare`, and both are read alone."""
    mounts = [volume.split(":") for each in compose.services.values() for volume in each.volumes]
    kept = {source for source, *_ in mounts if not source.startswith((".", "/"))}
    ours = [source for source, *_ in mounts if source.startswith("./")]
    others = {source for source, *_ in mounts if source.startswith("/")}
    made = (FLEET / "prepare").read_text(encoding="utf-8")

    assert compose.volumes.keys() == kept
    assert [] == [each for each in ours if not (FLEET / each).is_file()]
    assert others == {
        *("/srv/brinewright", "/srv/brinewright/targets", "/srv/brinewright/receivers.yaml"),
        "/etc/mosquitto/certs",
    }
    assert all(name in made for name in ("targets", "receivers.yaml", "gate.env"))
    assert {"ro"} == {each[2] for each in mounts if each[0] not in kept}


@pytest.mark.parametrize(
    "service, file",
    [
        ("database", "victoria-metrics"),
        ("gate", "fleet-gate.service"),
        ("rules", "fleet-rules.service"),
        ("notifier", "prometheus-alertmanager"),
    ],
)
def test_both_ways_give_a_program_the_same_options(
    compose: Compose, service: str, file: str
) -> None:
    """But for the places of its files, which are named both times."""
    command = compose.services[service].command

    assert options(command) == options(debian(file))
    assert len(command) == len(debian(file))


def test_only_the_ways_with_tls_are_open_to_the_network(compose: Compose) -> None:
    """8883 of the broker and 8427 of the gate, as the guide says; the rest is on loopback."""
    given = {
        value
        for each in compose.services.values()
        for name, value in options(each.command).items()
        if name in {"httpListenAddr", "web.listen-address", "cluster.listen-address"}
    }
    broker = (FLEET / "mosquitto.conf").read_text(encoding="utf-8")

    assert {"127.0.0.1:8428", ":8427", "127.0.0.1:8880", "127.0.0.1:9093", ""} == given
    assert ["1883 127.0.0.1", "8883"] == re.findall(r"^listener (.+)$", broker, re.MULTILINE)
    assert "tls" in options(compose.services["gate"].command)
    assert ["GF_SERVER_HTTP_ADDR=127.0.0.1"] == compose.services["dashboard"].environment
    assert "Only 8883 and 8427 are open to the network." in text_of("deploy/guides/fleet.md")


def test_each_look_asks_where_the_service_listens(compose: Compose) -> None:
    """Else a container would be well whatever became of it, or never."""
    for name in ("database", "gate", "rules", "notifier"):
        service = compose.services[name]
        given = options(service.command)
        place = given.get("httpListenAddr") or given["web.listen-address"]
        address = place if place.startswith("127") else f"127.0.0.1{place}"

        assert f"{'https' if 'tls' in given else 'http'}://{address}/" in service.healthcheck.test


@pytest.mark.parametrize("unit", ["fleet-gate.service", "fleet-rules.service"])
def test_the_service_manager_understands_the_units(unit: str, tmp_path: Path) -> None:
    """Every key; one that is misspelt is noticed."""
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here: it comes with systemd")
    text = re.sub(r"ExecStart=\S+", "ExecStart=/bin/true", (DEBIAN / unit).read_text())

    def said(content: str) -> str:
        (tmp_path / unit).write_text(content)
        words = ("systemd-analyze", "--no-pager", "verify", "--man=no", "--recursive-errors=no")
        done = subprocess.run(
            [*words, tmp_path / unit], capture_output=True, text=True, check=False
        )
        return done.stdout + done.stderr

    assert "" == said(text)
    assert "RestartSex" in said(text.replace("RestartSec", "RestartSex"))


def prepare(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run deploy/fleet/prepare on a folder of ours."""
    places = {"FLEET_FOLDER": str(folder / "fleet"), "FLEET_CERTIFICATES": str(folder / "certs")}
    return subprocess.run(
        [FLEET / "prepare", *words],
        env={**os.environ, **places},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.fixture
def certificates(tmp_path: Path) -> Path:
    """A folder with something by the names of certificates and key."""
    (tmp_path / "certs").mkdir()
    for name in ("ca.pem", "broker.pem", "broker.key"):
        (tmp_path / "certs" / name).write_text(f"{name}\n")
    return tmp_path


def test_prepare_gives_each_file_to_who_reads_it(certificates: Path) -> None:
    """By the numbers of the images; done twice it changes nothing, and prints no secret."""
    done = prepare(certificates, "--containers", "podman")
    if os.geteuid():
        assert (69, True) == (done.returncode, "use sudo" in done.stderr)
        return
    fleet = certificates / "fleet"
    rights = {
        str(path.relative_to(fleet)): (f"{path.stat().st_mode & 0o777:o}", path.stat().st_gid)
        for path in fleet.rglob("*")
    }
    before = {path: path.read_bytes() for path in fleet.rglob("*") if path.is_file()}
    token = (fleet / "shared/influx-token").read_text().strip()

    assert 0 == done.returncode, done.stderr
    assert rights == {
        "targets": ("755", 0),
        "shared": ("700", 0),
        "stations": ("700", 0),
        "shared/ca.pem": ("600", 0),
        "shared/influx-token": ("600", 0),
        "gate.env": ("600", 0),
        "passwords": ("640", 1883),
        "rights": ("640", 1883),
        "receivers.yaml": ("640", 65534),
        "reload": ("755", 0),
        **dict.fromkeys(("station.toml", "auth.yaml", "rules.yaml", "scrape.yaml"), ("644", 0)),
    }
    assert 48 == len(token)
    assert f"FLEET_WRITE_TOKEN={token}" in (fleet / "gate.env").read_text().splitlines()
    assert "podman kill --signal HUP fleet-broker" in (fleet / "reload").read_text()
    assert token not in done.stdout + done.stderr
    assert 0 == prepare(certificates, "--containers", "podman").returncode
    assert before == {path: path.read_bytes() for path in fleet.rglob("*") if path.is_file()}


@pytest.mark.skipif(os.geteuid() != 0, reason="root alone gives files to others")
def test_prepare_follows_a_move_to_containers_and_a_new_token(certificates: Path) -> None:
    """Rights are given again, and the gate gets the token that stations write by."""
    fleet = certificates / "fleet"
    prepare(certificates, "--containers", "docker")
    (fleet / "passwords").write_text("north-wing:$7$x\n")
    os.chown(fleet / "passwords", 0, 0)
    (fleet / "shared/influx-token").write_text("another-token-of-24-signs\n")
    (fleet / "rules.yaml").write_text("groups: []\n")
    done = prepare(certificates, "--containers", "podman")

    assert 0 == done.returncode, done.stderr
    assert 1883 == (fleet / "passwords").stat().st_gid
    assert "north-wing:$7$x\n" == (fleet / "passwords").read_text()
    assert (
        "FLEET_WRITE_TOKEN=another-token-of-24-signs"
        in (fleet / "gate.env").read_text().splitlines()
    )
    assert "start the gate again" in done.stderr
    assert "does not run: podman kill" in done.stderr
    assert ["groups: []"] == (fleet / "rules.yaml").read_text().splitlines()
    assert 1 == done.stderr.count("is not as in this version")
    assert "does not run" not in prepare(certificates, "--containers", "docker").stderr
    (fleet / "shared/influx-token").write_text("")
    assert 69 == prepare(certificates, "--containers", "docker").returncode


@pytest.mark.parametrize(
    "words, code", [(("--containers",), 2), (("--containers", "rkt"), 2), (("debian",), 2)]
)
def test_prepare_refuses_what_it_does_not_know(
    certificates: Path, words: tuple[str, ...], code: int
) -> None:
    """And makes nothing."""
    assert code == prepare(certificates, *words).returncode
    assert not (certificates / "fleet").exists()


def test_prepare_needs_certificates_first(tmp_path: Path) -> None:
    """Without them neither broker nor gate would start."""
    done = prepare(tmp_path, "--containers", "docker")

    assert 69 == done.returncode
    assert "sudo" in done.stderr or "ca.pem is missing" in done.stderr
    assert not (tmp_path / "fleet").exists()
