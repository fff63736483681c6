"""Images that stand in for those which compose.yaml names: Debian's programs, laid out alike.

Places, users, volumes and commands are those of the published images' own build files, from memory
and as far as compose.yaml leans on them; the programs are those of this machine. No registry is
asked for anything.
"""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import tarfile
from dataclasses import dataclass, field
from pathlib import Path

ENTRYPOINT = """#!/bin/sh
[ "$(id -u)" = 0 ] && chown -R mosquitto:mosquitto /mosquitto 2>/dev/null
exec "$@"
"""
"""What the broker's image does before it starts: its folders become the broker's."""
USERS = "root:x:0:0::/:/bin/sh\nmosquitto:x:1883:1883::/:/bin/sh\nnobody:x:65534:65534::/:/bin/sh\n"
GROUPS = "root:x:0:\nmosquitto:x:1883:\nnobody:x:65534:\n"
APPLETS = ("sh", "id", "chown", "cat", "ls", "wget", "test")


@dataclass(frozen=True, slots=True)
class Image:
    """What one image holds and does.

    Attributes:
        programs: Where a program lies in it, by the name that it has here.
        changes: Instructions of a build file.
        folders: The owner of each folder.
        files: What else of this machine lies in it, at its own place.
    """

    programs: dict[str, str]
    changes: tuple[str, ...]
    folders: dict[str, int] = field(default_factory=dict)
    files: tuple[str, ...] = ()


IMAGES = {
    "broker": Image(
        {"mosquitto": "/usr/sbin/mosquitto", "mosquitto_sub": "/usr/bin/mosquitto_sub"},
        (
            'ENTRYPOINT ["/docker-entrypoint.sh"]',
            'CMD ["/usr/sbin/mosquitto", "-c", "/mosquitto/config/mosquitto.conf"]',
            "VOLUME /mosquitto/data",
        ),
        {"/mosquitto": 1883, "/mosquitto/config": 1883, "/mosquitto/data": 1883},
    ),
    "database": Image(
        {"victoria-metrics": "/victoria-metrics-prod"}, ('ENTRYPOINT ["/victoria-metrics-prod"]',)
    ),
    "gate": Image({"vmauth": "/vmauth-prod"}, ('ENTRYPOINT ["/vmauth-prod"]',)),
    "rules": Image({"vmalert": "/vmalert-prod"}, ('ENTRYPOINT ["/vmalert-prod"]',)),
    "notifier": Image(
        {"prometheus-alertmanager": "/bin/alertmanager"},
        (
            'ENTRYPOINT ["/bin/alertmanager"]',
            "USER nobody",
            "WORKDIR /alertmanager",
            "VOLUME /alertmanager",
        ),
        {"/alertmanager": 65534},
        tuple(f"/usr/share/prometheus/alertmanager/{each}.tmpl" for each in ("default", "email")),
    ),
}
"""Those that can be made here; a dashboard has no package of Debian."""
OLD_COMPOSE = re.compile(r"version\s+1\.0\.")


def missing() -> list[str]:
    """Return the programs that are needed and not here, or too old."""
    programs = {name for image in IMAGES.values() for name in image.programs}
    programs |= {"podman", "podman-compose", "mosquitto_passwd", "openssl", "ip", "unshare"}
    lacking = sorted(each for each in programs if shutil.which(each) is None)
    busybox = [] if Path("/bin/busybox").exists() else ["busybox-static"]
    return [*lacking, *busybox, *_too_old()]


def _too_old() -> list[str]:
    if shutil.which("podman-compose") is None:
        return []
    words = ("podman-compose", "--version")
    said = subprocess.run(words, capture_output=True, text=True, check=False).stdout
    return ["podman-compose newer than 1.0"] if OLD_COMPOSE.search(said) else []


def packed(image: Image) -> bytes:
    """Return an image's whole root as a tar file."""
    file = io.BytesIO()
    with tarfile.open(fileobj=file, mode="w") as tar:
        for name, owner in {"/tmp": 0, **image.folders}.items():
            entry = tarfile.TarInfo(name.lstrip("/"))
            entry.type, entry.mode, entry.uid, entry.gid = tarfile.DIRTYPE, 0o755, owner, owner
            tar.addfile(entry)
        _file(tar, "/etc/passwd", USERS.encode())
        _file(tar, "/etc/group", GROUPS.encode())
        _file(tar, "/docker-entrypoint.sh", ENTRYPOINT.encode())
        _file(tar, "/bin/busybox", Path("/bin/busybox").read_bytes())
        for each in APPLETS:
            link = tarfile.TarInfo(f"bin/{each}")
            link.type, link.linkname = tarfile.SYMTYPE, "/bin/busybox"
            tar.addfile(link)
        libraries: set[str] = set()
        for name, place in image.programs.items():
            found = shutil.which(name)
            assert found is not None, f"{name} is missing"
            _file(tar, place, Path(found).read_bytes())
            libraries |= _libraries(found)
        for each in sorted({*libraries, *image.files}):
            _file(tar, each, Path(each).read_bytes())
    return file.getvalue()


def _file(tar: tarfile.TarFile, place: str, content: bytes) -> None:
    entry = tarfile.TarInfo(place.lstrip("/"))
    entry.size, entry.mode = len(content), 0o755
    tar.addfile(entry, io.BytesIO(content))


def _libraries(program: str) -> set[str]:
    said = subprocess.run(["ldd", program], capture_output=True, text=True, check=True).stdout
    return set(re.findall(r"(/\S+) \(0x", said))
