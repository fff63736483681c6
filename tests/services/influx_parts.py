"""Parts of the database tests: two real servers, a stub, and a station that writes to them.

`Engine` is the real storage engine of InfluxDB 1.6 (Debian's `influxdb`) behind a shim of
ours that speaks the v2 write API.  What it shows of points (overwritten, of another type,
malformed, kept through a kill) is the engine's own doing; tokens, organisation and the
form of the answers are the shim's.  `Metrics` is victoria-metrics, which takes v2 writes
by itself, without a token, keeps numbers only, and may lose what it took within the last
seconds when it is killed.  Neither is InfluxDB 2.  `Stub` answers what it is told to.
"""

from __future__ import annotations

import gzip
import json
import shutil
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Protocol, TypeAlias

from daemon.config import Influx
from tests.conftest import LOOPBACK, PATIENCE_S, find_free_port, wait_until
from tests.services.mqtt_parts import STATION

ORG, BUCKET, TOKEN = "aquarium", "mixing", "sekret-1"
ENGINE_CONFIGURATION = """
reporting-disabled = true
bind-address = "{host}:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
[http]
  bind-address = "{host}:{port}"
  log-enabled = false
[monitor]
  store-enabled = false
"""


class Server(Protocol):
    """A database that can be killed and that tells what it holds."""

    @property
    def url(self) -> str:
        """Where entries are written to."""

    def start(self) -> None:
        """Start it and wait until it answers."""

    def stop(self) -> None:
        """Ask it to end; nothing if it does not run."""

    def kill(self) -> None:
        """End it without warning; nothing if it does not run."""

    def seqs(self, measurement: str = "reading") -> list[int]:
        """The numbers of the entries that it holds, by time; one that it holds twice, twice."""


def section(url: str, folder: Path, **more: object) -> Influx:
    """A section `[influx]` and its token's file."""
    path = folder / "influx-token"
    path.write_text(f"{TOKEN}\n")
    path.chmod(0o600)
    told = {"url": url, "org": ORG, "bucket": BUCKET, "token_file": str(path), **more}
    return Influx.model_validate(told)


def write_configuration(folder: Path, url: str) -> Path:
    """A configuration that publishes `folder`/journal.db to a database."""
    section(url, folder)
    path = folder / "brinewright.toml"
    path.write_text(
        f'[station]\nname = "{STATION}"\n'
        # Tests run side by side, and each would want the page's one port.
        "[page]\nenabled = false\n"
        '[[reservoir]]\nname = "mix-1"\ncapacity_l = 220\nfill_l = 180\n'
        'target_ppt = 34.0\ntolerance_ppt = 1.0\n[journal]\npath = "journal.db"\n'
        f'[influx]\nurl = "{url}"\norg = "{ORG}"\nbucket = "{BUCKET}"\n'
        'token_file = "influx-token"\ntimeout_s = 2\n'
    )
    return path


def find_program(name: str, package: str) -> str:
    """Path of a server, or a sentence that says how to get it."""
    found = shutil.which(name)
    assert found, f"the tests need the package {package}: sudo apt install {package}"
    return found


def fetch(url: str, body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
    """Ask a server on loopback; return status and body, whatever the status."""
    request = urllib.request.Request(url, body, headers)  # noqa: S310 - an http address of ours
    try:
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:  # noqa: S310 - as above
            return answer.status, answer.read()
    except urllib.error.HTTPError as exc:
        with exc:
            return exc.code, exc.read()


@dataclass
class _Process:
    """A server process with a folder of its own."""

    folder: Path
    port: int = field(default_factory=find_free_port)
    process: subprocess.Popen[bytes] | None = None

    def launch(self, *command: str | Path) -> None:
        """Start it and wait until it answers."""
        assert self.process is None, "it runs already"
        with (self.folder / "server.log").open("ab") as log:
            self.process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        try:
            wait_until(self._answers, f"{command[0]} on port {self.port}", 3 * PATIENCE_S)
        except AssertionError:
            self.kill()
            raise

    def stop(self) -> None:
        """Ask it to end; nothing if it does not run."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(3 * PATIENCE_S)
            self.process = None

    def kill(self) -> None:
        """End it without warning; nothing if it does not run."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(PATIENCE_S)
            self.process = None

    def _answers(self) -> bool:
        assert self.process is not None
        if (code := self.process.poll()) is not None:
            log = (self.folder / "server.log").read_text(errors="replace")
            raise AssertionError(f"the server ended with {code}; its log:\n{log[-2000:]}")
        try:
            return fetch(f"http://{LOOPBACK}:{self.port}/ping")[0] == 204
        except OSError:
            return False


class Metrics(_Process):
    """A real victoria-metrics."""

    @property
    def url(self) -> str:
        """Where entries are written to."""
        return f"http://{LOOPBACK}:{self.port}"

    def start(self) -> None:
        """Start it and wait until it answers."""
        self.launch(
            find_program("victoria-metrics", "victoria-metrics"),
            f"-httpListenAddr={LOOPBACK}:{self.port}",
            f"-storageDataPath={self.folder / 'storage'}",
            "-retentionPeriod=100y",
            "-dedup.minScrapeInterval=1ms",  # else what is sent again is kept twice
        )

    def series(self, name: str) -> list[dict[str, Any]]:
        """Each series of a field, `measurement_field`, with labels, values and times."""
        fetch(f"{self.url}/internal/force_flush")
        # Without an end it leaves out what a rehearsal, whose time runs ahead, wrote.
        match = urllib.parse.urlencode({"match[]": name, "start": 0, "end": 4_102_444_800})
        _, body = fetch(f"{self.url}/api/v1/export?{match}")
        return [json.loads(line) for line in body.splitlines()]

    def seqs(self, measurement: str = "reading") -> list[int]:
        """The numbers of the entries that it holds, by time."""
        found = [
            pair
            for each in self.series(f"{measurement}_seq")
            for pair in zip(each["timestamps"], each["values"], strict=True)
        ]
        return [int(value) for _, value in sorted(found)]


class Engine(_Process):
    """A real influxd 1.6 behind a shim that speaks the v2 write API; see the module.

    Attributes:
        requests: How many writes came to the shim.
    """

    requests: int = 0
    _shim: ThreadingHTTPServer | None = None

    @property
    def url(self) -> str:
        """Where entries are written to: the shim."""
        assert self._shim is not None
        return f"http://{LOOPBACK}:{self._shim.server_address[1]}"

    def start(self) -> None:
        """Start it and wait until it answers."""
        configuration = self.folder / "influx.conf"
        configuration.write_text(
            ENGINE_CONFIGURATION.format(
                host=LOOPBACK, rpc=find_free_port(), port=self.port, folder=self.folder
            )
        )
        self.launch(find_program("influxd", "influxdb"), "run", "-config", configuration)
        self.query(f'CREATE DATABASE "{BUCKET}"')

    def query(self, text: str) -> list[dict[str, Any]]:
        """Ask in the engine's own language; return the series of its answer."""
        form = urllib.parse.urlencode({"db": BUCKET, "q": text, "epoch": "ns"}).encode()
        status, body = fetch(f"http://{LOOPBACK}:{self.port}/query", form)
        (result,) = json.loads(body)["results"]
        assert status == 200, body
        assert "error" not in result, body
        return list(result.get("series", []))

    def rows(self, fields: str, measurement: str = "reading") -> list[list[Any]]:
        """Rows of time and the named fields and tags, by time."""
        found = self.query(f'SELECT {fields} FROM "{measurement}"')  # noqa: S608 - words of ours
        return list(found[0]["values"]) if found else []

    def seqs(self, measurement: str = "reading") -> list[int]:
        """The numbers of the entries that it holds, by time."""
        return [row[1] for row in self.rows("seq", measurement)]

    @contextmanager
    def shim(self) -> Iterator[None]:
        """Speak the v2 write API meanwhile, also while the engine is dead."""
        engine = self

        class Shim(Handler):
            def do_GET(self) -> None:  # the name that the library calls
                self.answer(503 if engine.process is None else 204)

            def do_POST(self) -> None:  # as above
                engine.requests += 1
                body = self.body()
                asked = urllib.parse.parse_qs(urllib.parse.urlsplit(self.path).query)
                if self.headers["Authorization"] != f"Token {TOKEN}":
                    self.answer_v2(401, "unauthorized", "unauthorized access")
                elif asked["org"] != [ORG]:
                    self.answer_v2(
                        404, "not found", f'organization name "{asked["org"]}" not found'
                    )
                else:
                    self.pass_on(asked, body)

            def pass_on(self, asked: Mapping[str, list[str]], body: bytes) -> None:
                words = {"db": asked["bucket"][0], "precision": asked["precision"][0]}
                words["precision"] = words["precision"].replace("us", "u")
                try:
                    status, said = fetch(
                        f"http://{LOOPBACK}:{engine.port}/write?{urllib.parse.urlencode(words)}",
                        body,
                        **{"Content-Encoding": self.headers["Content-Encoding"] or "identity"},
                    )
                except OSError:
                    self.answer_v2(503, "unavailable", "the engine does not answer")
                    return
                if status == 204:
                    self.answer(204)
                    return
                codes = {400: "invalid", 404: "not found", 413: "request too large"}
                message = json.loads(said)["error"] if said.startswith(b"{") else said.decode()
                self.answer_v2(status, codes.get(status, "internal error"), message)

        with _serving(Shim) as self._shim:
            yield


class Handler(BaseHTTPRequestHandler):
    """Closes after each request, so that no thread is left waiting for the next."""

    timeout = PATIENCE_S

    def body(self) -> bytes:
        """What came with the request."""
        return self.rfile.read(int(self.headers["Content-Length"] or 0))

    def answer(self, status: int, body: bytes = b"", **headers: str) -> None:
        """Answer."""
        with suppress(ConnectionError):  # whoever asked may have been killed
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name.replace("_", "-"), value)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)
            self.wfile.flush()

    def answer_v2(self, status: int, code: str, message: str) -> None:
        """Answer with an error as the v2 API has them."""
        told = json.dumps({"code": code, "message": message}).encode()
        self.answer(status, told, Content_Type="application/json")

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - as inherited
        """Keep quiet."""


Answer: TypeAlias = Callable[[Handler, list[str]], None]
"""What a stub does about the lines that it is given."""


@contextmanager
def _serving(handler: type[BaseHTTPRequestHandler]) -> Iterator[ThreadingHTTPServer]:
    server = ThreadingHTTPServer((LOOPBACK, find_free_port()), handler)
    server.daemon_threads = False
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@dataclass
class Stub:
    """A server that answers what it is told to.

    Attributes:
        url: Where it is.
        answers: What becomes of the next writes, each given the lines; 204 once it is used up.
        lines: The lines of each write, in order.
        headers: The headers of each write.
    """

    url: str = ""
    answers: list[Answer] = field(default_factory=list)
    lines: list[list[str]] = field(default_factory=list)
    headers: list[Mapping[str, str]] = field(default_factory=list)


@contextmanager
def stubbing() -> Iterator[Stub]:
    """Have a stub."""
    stub = Stub()

    class Answering(Handler):
        def do_GET(self) -> None:  # the name that the library calls
            self.answer(204)

        def do_POST(self) -> None:  # as above
            lines = gzip.decompress(self.body()).decode().splitlines()
            stub.lines.append(lines)
            stub.headers.append(dict(self.headers.items()))
            if stub.answers:
                stub.answers.pop(0)(self, lines)
            else:
                self.answer(204)

    with _serving(Answering) as server:
        stub.url = f"http://{LOOPBACK}:{server.server_address[1]}"
        yield stub


@contextmanager
def an_engine(folder: Path) -> Iterator[Engine]:
    """A running engine behind its shim, in a new folder below `folder`."""
    place = folder / "engine"
    place.mkdir()
    engine = Engine(place)
    with engine.shim():
        try:
            engine.start()
            yield engine
        finally:
            engine.kill()


@contextmanager
def metrics(folder: Path) -> Iterator[Metrics]:
    """A running victoria-metrics, in a new folder below `folder`."""
    place = folder / "metrics"
    place.mkdir()
    server = Metrics(place)
    try:
        server.start()
        yield server
    finally:
        server.kill()
