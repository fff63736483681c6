"""The publishing process gives signs of life to an outside watcher, and is no worse off for it."""

from __future__ import annotations

from pathlib import Path

from daemon.journal.writer import Writer
from tests.conftest import LOOPBACK, wait_until
from tests.faults.test_notify_killed import CONFIGURATION
from tests.parts.numbered import reading
from tests.services.notify_parts import hooked
from tests.services.service_parts import running


def test_the_process_asks_for_the_address_while_readings_come(tmp_path: Path) -> None:
    """With nothing else to publish to; the address is in no line that it writes."""
    stations = CONFIGURATION.partition("[notify]")[0]
    (tmp_path / "brinewright.toml").write_text(
        f'{stations}[heartbeat]\nurl_file = "heartbeat-url"\nevery_s = 10\n'
    )
    config, secret = str(tmp_path / "brinewright.toml"), tmp_path / "heartbeat-url"
    with hooked() as watcher, Writer(tmp_path / "journal.db") as writer:
        secret.write_text(f"http://{LOOPBACK}:{watcher.port}/ping/topsecret\n")
        secret.chmod(0o600)
        writer.append([reading(1)], 0.0)
        with running("publish", "daemon.publish", "--config", config, folder=tmp_path) as process:

            def beat_arrives() -> bool:
                writer.append([reading(writer.last_seq + 1)], 0.0)
                return bool(watcher.paths)

            wait_until(beat_arrives, "a sign of life")
            assert 0 == process.stop()

    assert ["/ping/topsecret"] == watcher.paths
    assert "topsecret" not in "\n".join(process.output_lines)
    assert [] == [line for line in process.output_lines if "ERROR" in line or "Traceback" in line]
