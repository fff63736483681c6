"""The publishing process with a sink that hangs for ever: the others go on, and it ends when told.

What a thread that hangs does to the end of a process only a real process can show.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from daemon.journal.writer import Writer
from tests.conftest import PATIENCE_S, wait_until
from tests.parts.numbered import reading
from tests.services.mqtt_parts import write_configuration

PROGRAM = """
import pathlib, sys, time
from daemon import publish

class Sink:
    def __init__(self, name, out): self.name, self.out = name, out
    def pressing(self): return False
    def close(self): pass

class Hanging(Sink):
    def deliver(self, entries):
        while True: time.sleep(60)

class Faulty(Sink):
    def deliver(self, entries): raise SystemExit("a library thinks that it is over")
    def close(self): raise OSError("and leaks")

class Good(Sink):
    def deliver(self, entries):
        with self.out.open("a") as out: out.writelines(f"{each.seq}\\n" for each in entries)

out = pathlib.Path(sys.argv.pop())
publish.make_sinks = lambda *_: [kind(kind.__name__, out) for kind in (Hanging, Faulty, Good)]
sys.exit(publish.main(sys.argv[1:]))
"""


def test_a_sink_that_hangs_for_ever_holds_up_neither_the_others_nor_the_end(tmp_path: Path) -> None:
    """The good sink gets entry after entry; told to stop, the process waits 4 s for it and ends."""
    out, log = tmp_path / "taken", tmp_path / "publish.log"
    config = write_configuration(tmp_path, 1883)
    with Writer(tmp_path / "journal.db") as writer, log.open("wb") as errors:
        writer.append([reading(1)], 0.0)
        process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, "--config", config, out], stderr=errors
        )
        try:
            wait_until(lambda: out.exists() and out.read_text() == "1\n", "the first entry")
            writer.append([reading(2), reading(3)], 1.0)
            wait_until(lambda: out.read_text() == "1\n2\n3\n", "the next two")
            process.terminate()
            code = process.wait(PATIENCE_S)
        finally:
            process.kill()
            process.wait()
    said = log.read_text()

    assert 0 == code
    assert "Hanging did not end in 4 s" in said
    assert "Faulty: a fault in this program" in said
    assert "Good" not in said
