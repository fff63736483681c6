"""No secret leaves its file, whatever goes wrong: not into a log, a page or a journal."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import quote

import pytest

from daemon.journal.writer import Writer
from tests.conftest import LOOPBACK, Broker, find_free_port, wait_until
from tests.page.page_parts import ask
from tests.parts.numbered import reading
from tests.parts.snapshots import stored
from tests.services.mqtt_parts import Publisher, write_configuration
from tests.services.notify_parts import alarm

WORD = "wort-Gr4nat/7%"
TOKEN = "tok-8Xq2mLr9=="
SLIPS = ("slip-hook-51", "slip-mail-77", "slip-beat-93")
SECRETS = {WORD, quote(WORD, safe=""), TOKEN, *SLIPS}


def private(path: Path, text: str) -> Path:
    """A file that only its owner reads."""
    path.write_text(text + "\n")
    path.chmod(0o600)
    return path


@pytest.fixture
def locked(make_broker: Callable[..., Broker], tmp_path: Path) -> Broker:
    """A broker that knows nobody."""
    words = private(tmp_path / "nobody", "")
    words.write_text("")
    broker = make_broker(f"password_file {words}", anonymous=False)
    broker.start()
    return broker


class Echo(BaseHTTPRequestHandler):
    """Refuses everybody, and says again all that it was told: path, headers and body."""

    def do_GET(self) -> None:
        """Refuse."""
        body = self.rfile.read(int(self.headers["Content-Length"] or 0))
        # The shown secret first, as only the beginning of an answer is told on; and a database
        # whose refusal of the token has a sentence of ours is told on when it has a fault.
        told = f"no: {self.headers['Authorization']} {self.path} {self.headers.items()} {body!r}"
        answer = json.dumps({"code": "unauthorized", "message": told}).encode()
        code = 500 if self.path.startswith("/api/v2/") else 401
        self.send_response(code, told.splitlines()[0][:200])
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    do_POST = do_GET

    def log_message(self, *_: object) -> None:
        """Say nothing."""


@contextmanager
def echoing() -> Iterator[int]:
    """Port of a server that says again what it was told."""
    server = ThreadingHTTPServer((LOOPBACK, find_free_port()), Echo)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield server.server_port
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def test_a_run_in_which_all_goes_wrong_gives_no_secret_away(
    locked: Broker, tmp_path: Path, free_port: int
) -> None:
    """Each publisher fails and says so; none says what it showed, though it is said back to it."""
    home = tmp_path / "station"
    home.mkdir()
    closed = find_free_port()
    with echoing() as port:
        private(home / "mqtt-password", WORD)
        private(home / "influx-token", TOKEN)
        private(home / "heartbeat-url", f"http://{LOOPBACK}:{port}/{SLIPS[2]}")
        private(
            home / "receivers",
            f"json://{LOOPBACK}:{port}/{SLIPS[0]}\n"
            f"mailto://{LOOPBACK}:{closed}/?from=wing@example.org&to=keeper@example.org"
            f"&user=wing&pass={SLIPS[1]}",
        )
        config = write_configuration(
            home,
            locked.port,
            'username = "brinewright"\npassword_file = "mqtt-password"',
            f'[influx]\nurl = "http://{LOOPBACK}:{port}"\norg = "wing"\nbucket = "mixing"\n'
            'token_file = "influx-token"',
            '[notify]\nurls_file = "receivers"\nat_most_per_h = 1000',
            '[heartbeat]\nurl_file = "heartbeat-url"\nevery_s = 10',
            f'[page]\nlisten = "{LOOPBACK}:{free_port}"',
        )
        publisher = Publisher(config, home / "publish.log")
        try:
            with Writer(home / "journal.db") as writer:
                writer.append([reading(1), alarm(2, priority="high")], 0.0, {"mix-1": stored()})
                publisher.start()
                assert publisher.process is not None

                def log_has(*words: str) -> bool:
                    return any(all(word in line for word in words) for line in publisher.log)

                wait_until(lambda: log_has("mqtt", "refused the account"), "the broker's refusal")
                wait_until(lambda: log_has("influx", "fails"), "the database's refusal")
                wait_until(
                    lambda: log_has("notifying json") and log_has("notifying mailto"),
                    "both failures",
                )
                writer.append([reading(3)], 1.0)
                wait_until(lambda: log_has("heartbeat"), "the watcher's refusal")
                reservoir_view = [
                    ask(free_port, path).text for path in ("/", "/metrics", "/healthz")
                ]
                process = Path(f"/proc/{publisher.process.pid}")
                reservoir_view += [(process / name).read_text() for name in ("cmdline", "environ")]
                reservoir_view.append(_status(config))
        finally:
            publisher.kill()
    kept = [path for path in home.iterdir() if path.name not in _OF_SECRETS]
    reservoir_view += [path.read_bytes().decode(errors="replace") for path in kept]

    assert {"publish.log", "journal.db"} <= {path.name for path in kept}
    assert [] == [secret for secret in SECRETS for text in reservoir_view if secret in text]
    assert [] == [line for line in publisher.log if "Traceback" in line]


_OF_SECRETS = ("mqtt-password", "influx-token", "heartbeat-url", "receivers")


def _status(config: Path) -> str:
    words = ["-m", "daemon.cli.main", "status", "--json", "--config", str(config)]
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


@pytest.mark.parametrize("name", _OF_SECRETS)
def test_a_secret_that_others_may_read_stops_publishing(
    tmp_path: Path, name: str, free_port: int
) -> None:
    """With exit code 78 and a sentence that names the file and not what it holds."""
    section = {
        "mqtt-password": 'username = "brinewright"\npassword_file = "mqtt-password"',
        "influx-token": '[influx]\nurl = "http://127.0.0.1:9"\norg = "wing"\nbucket = "mixing"\n'
        'token_file = "influx-token"',
        "receivers": '[notify]\nurls_file = "receivers"',
        "heartbeat-url": '[heartbeat]\nurl_file = "heartbeat-url"',
    }[name]
    text = {
        "receivers": f"json://{LOOPBACK}/{SLIPS[0]}",
        "heartbeat-url": f"http://{LOOPBACK}/{SLIPS[2]}",
    }
    private(tmp_path / name, text.get(name, WORD)).chmod(0o640)
    publisher = Publisher(write_configuration(tmp_path, free_port, section), tmp_path / "log")
    publisher.start()
    try:
        code = publisher.ended()
    finally:
        publisher.kill()

    assert 78 == code
    assert [True] == [
        f"others than its owner may read {tmp_path / name}" in line for line in publisher.log
    ]
    assert [] == [secret for secret in SECRETS for line in publisher.log if secret in line]


def test_a_secret_that_the_service_manager_hands_over_is_used(
    make_broker: Callable[..., Broker], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And not the file of the same name beside the configuration; the broker wants the first."""
    words = private(tmp_path / "words", f"brinewright:{WORD}")
    subprocess.run(["mosquitto_passwd", "-U", words], check=True)
    broker = make_broker(f"password_file {words}", anonymous=False)
    broker.start()
    handed_over = tmp_path / "credentials"
    handed_over.mkdir()
    private(handed_over / "mqtt-password", WORD).chmod(0o440)
    private(tmp_path / "mqtt-password", "another").chmod(0o644)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(handed_over))
    account = 'username = "brinewright"\npassword_file = "mqtt-password"'
    publisher = Publisher(write_configuration(tmp_path, broker.port, account), tmp_path / "log")
    with Writer(tmp_path / "journal.db") as writer:
        writer.append([reading(1)], 0.0)
    publisher.start()
    try:
        wait_until(lambda: any("publishing to broker" in line for line in publisher.log), "it")
    finally:
        publisher.kill()

    assert [] == [line for line in publisher.log if WORD in line or "another" in line]
