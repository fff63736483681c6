"""A machine for a fleet, as the guide has it made: names, certificates, folder, stations."""

from __future__ import annotations

import json
import os
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from deploy.fleet import accounts
from tests.campaigns.containers.engine import ROOT, Engine
from tests.parts.fleet_scene import READER, READER_WORD
from tests.services.mqtt_parts import openssl

HOST = "fleet.quarantine.lan"
"""As deploy/fleet/station.toml has it."""
FLEET = Path("/srv/brinewright")
CERTIFICATES = Path("/etc/mosquitto/certs")
SIMULATED = ("east-wing", "north-wing", "south-wing")
REAL = "west-wing"
REAL_ADDRESS = "127.0.0.21"
RECEIVER_PORT = 9099
OWN_MOUNTS = (
    FLEET.parent,
    CERTIFICATES,
    *map(Path, ("/var/lib/brinewright", "/var/lib/containers")),
    *map(Path, ("/run/containers", "/run/libpod", "/run/runc")),
)
"""Folders that are empty, and only for this run, while it runs."""
CGROUPS = Path("/sys/fs/cgroup")
"""Where podman makes groups of its containers, which no namespace of ours covers."""


@dataclass
class Receiver:
    """Takes the alerts that the notifier sends.

    Attributes:
        alerts: Name and station of each that came.
    """

    alerts: set[tuple[str, str]] = field(default_factory=set)


@contextmanager
def nothing_stays() -> Iterator[None]:
    """Have a place for each mount, and remove afterwards what was not there before."""
    folders = {parent for each in OWN_MOUNTS for parent in (each, *each.parents)}
    made = [each for each in sorted(folders) if not each.exists()]
    groups = set(CGROUPS.glob("*/libpod_parent"))
    for each in made:
        each.mkdir()
    try:
        yield
    finally:
        for group in set(CGROUPS.glob("*/libpod_parent")) - groups:
            inner = [each for each in group.rglob("*") if each.is_dir()]
            made += [group, *sorted(inner)]
        for each in reversed(made):
            # One in use is not ours to remove.
            with suppress(OSError):
                each.rmdir()


def own_machine() -> None:
    """Make network and folders those of a machine at its first start; in namespaces of our own."""
    _run("ip", "link", "set", "lo", "up")
    for each in OWN_MOUNTS:
        _run("mount", "-t", "tmpfs", "fleet", str(each))
    hosts = Path("/run/containers/hosts")
    hosts.write_text(f"127.0.0.1 localhost {HOST}\n")
    _run("mount", "--bind", str(hosts), "/etc/hosts")
    make_certificates(CERTIFICATES)


def make_certificates(folder: Path) -> None:
    """Make an authority, and the certificate of this machine that it signed."""
    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    key, request = folder / "broker.key", folder / "broker.csr"
    openssl("req", "-x509", *curve, "-subj", "/CN=quarantine", "-days", "2",
            "-keyout", folder / "ca.key", "-out", folder / "ca.pem")  # fmt: skip
    openssl("req", *curve, "-subj", f"/CN={HOST}", "-addext", f"subjectAltName=DNS:{HOST}",
            "-keyout", key, "-out", request)  # fmt: skip
    openssl("x509", "-req", "-in", request, "-days", "2", "-copy_extensions", "copy",
            "-CA", folder / "ca.pem", "-CAkey", folder / "ca.key", "-CAcreateserial",
            "-out", folder / "broker.pem")  # fmt: skip


def prepare(bench: Path) -> None:
    """Make the fleet's folder by its own command, then write into it what a keeper writes."""
    _run("deploy/fleet/prepare", "--containers", "podman")
    template = FLEET / "station.toml"
    _replace(template, 'port = "/dev/ttyUSB0"', f'port = "{bench / "port-1"}"')
    receivers = FLEET / "receivers.yaml"
    text = receivers.read_text(encoding="utf-8")
    begin, end = text.index("    email_configs:"), text.index("# A station that is offline")
    hook = f'    webhook_configs: [{{url: "http://127.0.0.1:{RECEIVER_PORT}/"}}]\n\n'
    receivers.write_text(text[:begin] + hook + text[end:])
    _replace(receivers, "group_wait: 30s", "group_wait: 1s")
    accounts.set_password(FLEET / "passwords", READER, READER_WORD)
    (bench / "reader-password").touch(mode=0o600)
    (bench / "reader-password").write_text(f"{READER_WORD}\n")
    (bench / "observer.toml").write_text(
        f'[station]\nname = "observer"\n[[reservoir]]\nname = "none"\ncapacity_l = 2\nfill_l = 1\n'
        f"target_ppt = 34.0\ntolerance_ppt = 1.0\n"
        f'[mqtt]\nhost = "{HOST}"\ntls = true\nca_file = "{CERTIFICATES / "ca.pem"}"\n'
        f'username = "{READER}"\npassword_file = "reader-password"\n'
    )


def provision(*words: str) -> str:
    """Run `deploy/fleet/provision`; return what it said."""
    return _run("deploy/fleet/provision", *words)


def trusted() -> ssl.SSLContext:
    """Return how to speak to this machine by its own authority."""
    return ssl.create_default_context(cafile=str(CERTIFICATES / "ca.pem"))


def environment_for_reload(engine: Engine) -> None:
    """Have `reload`, which a keeper's shell would run, find podman as it is run here."""
    os.environ.update(engine.environment)


@contextmanager
def receiver() -> Iterator[Receiver]:
    """Serve what takes the notifier's messages until the block ends."""
    taken = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body: dict[str, Any] = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            labels = [each["labels"] for each in body["alerts"]]
            taken.alerts.update((each["alertname"], each.get("station", "")) for each in labels)
            self.send_response(200)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", RECEIVER_PORT), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield taken
    finally:
        server.shutdown()


def _replace(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, (path, old)
    path.write_text(text.replace(old, new))


def _run(*words: str) -> str:
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(words)}: {done.stdout}{done.stderr}"
    return done.stdout + done.stderr


def prepare_again() -> None:
    """Run the command once more: it changes nothing, and no account is lost."""
    before = {path: path.read_bytes() for path in sorted(FLEET.rglob("*")) if path.is_file()}
    _run("deploy/fleet/prepare", "--containers", "podman")
    after = {path: path.read_bytes() for path in sorted(FLEET.rglob("*")) if path.is_file()}
    assert before == after, before.keys() ^ after.keys()
