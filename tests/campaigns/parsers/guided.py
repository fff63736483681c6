"""Inputs by a fuzzer that follows which branches they take: one process for each target.

    python -m tests.campaigns.parsers.guided NAME COUNT SEED FOLDER

The fuzzer ends its process itself; what it found stands on the last line: inputs, and values.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["daemon.wire"]):
    from tests.campaigns.parsers.targets import TARGETS

LONGEST = 400


def main() -> None:
    """Run one target until it has had its inputs."""
    name, count, number, folder = sys.argv[1:]
    target, corpus = TARGETS[name], Path(folder)
    for place, message in enumerate(target.seeds):
        (corpus / f"seed-{place}").write_bytes(message)
    found = Path(folder).with_suffix(".found")
    tried = accepted = 0

    def read(data: bytes) -> None:
        nonlocal tried, accepted
        tried += 1
        accepted += target.read(data)
        if tried % 1000 == 0 or tried >= int(count):
            found.write_text(f"{tried} {accepted}", encoding="ascii")

    options = [f"-runs={count}", f"-seed={number}", f"-max_len={LONGEST}", "-verbosity=0"]
    atheris.Setup(["guided", *options, str(corpus)], read)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
