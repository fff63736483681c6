"""What of this machine's set-up a fresh one needs to reach packages as this one does.

Nothing here names where packages come from: that is this machine's own matter.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

from tests.boot.machine import Machine

CARRIED = re.compile(r"(?i)(pip_(index|extra|trusted|timeout|default).*|.*_proxy|openblas_\w+)")
"""Variables of the environment; what this machine's own folders are named in is not carried."""
FILES = ("/etc/resolv.conf", "/etc/hosts")
CERTIFICATES = "/etc/fresh-machine-certificates.crt"
CERTIFICATE_VARIABLES = ("PIP_CERT", "REQUESTS_CA_BUNDLE", "SSL_CERT_FILE")
INDEX_SETTINGS = ("index-url", "extra-index-url", "trusted-host", "proxy", "timeout")
APT_SETTINGS = re.compile(r"Acquire::(https?|Check)\S* .*")


def carry_in(machine: Machine) -> dict[str, str]:
    """Give a machine the set-up of this one; return what its environment needs.

    Only what reaching packages needs: names, certificates, proxies, indexes, and apt's settings of
    the same kind.
    """
    for name in FILES:
        if Path(name).exists():
            machine.write(name, Path(name).read_bytes())
    settings = "\n".join(
        line
        for line in _stdout_of("apt-config", "dump").splitlines()
        if APT_SETTINGS.fullmatch(line)
    )
    machine.write("/etc/apt/apt.conf.d/90setup", settings + "\n")
    environment = {name: value for name, value in os.environ.items() if CARRIED.fullmatch(name)}
    environment |= _indexes()
    certificates = _certificates()
    if certificates:
        machine.write(CERTIFICATES, certificates)
        environment |= dict.fromkeys(CERTIFICATE_VARIABLES, CERTIFICATES)
    return environment


def _indexes() -> dict[str, str]:
    """What pip's configuration says of indexes, as variables; folders of this machine left out."""
    found: dict[str, list[str]] = {}
    for line in _stdout_of(sys.executable, "-m", "pip", "config", "list").splitlines():
        name, _, value = line.partition("=")
        key = name.rpartition(".")[2]
        words = [word for word in value.strip("'").split() if not word.startswith(("file:", "/"))]
        if key in INDEX_SETTINGS and words:
            found[f"PIP_{key.upper().replace('-', '_')}"] = words
    return {name: " ".join(words) for name, words in found.items()}


def _certificates() -> bytes:
    """The certificates that this machine's pip trusts, where it was told which; else nothing."""
    for name in CERTIFICATE_VARIABLES:
        path = os.environ.get(name, "")
        if path and Path(path).is_file():
            return Path(path).read_bytes()
    return b""


def _stdout_of(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout
