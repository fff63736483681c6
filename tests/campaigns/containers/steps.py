"""What is looked at while the containers run: each step returns what it saw, or fails."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from daemon.config import load
from daemon.publishing.mqtt.broker_settings import broker_of
from daemon.publishing.mqtt.connection import MQTT_5, connect
from daemon.publishing.sink import SinkError
from daemon.publishing.topic_messages import availability
from tests.campaigns.containers import scene
from tests.campaigns.containers.engine import Engine
from tests.campaigns.containers.images import IMAGES
from tests.campaigns.containers.scene import FLEET, HOST, REAL, SIMULATED, Receiver
from tests.conftest import wait_until
from tests.docs.test_fleet_files import queries, rules
from tests.parts.fleet_scene import COMMAND, ROOT

DATABASE, GATE = "http://127.0.0.1:8428", f"https://{HOST}:8427"
RULES, NOTIFIER = "http://127.0.0.1:8880", "http://127.0.0.1:9093"
PORTS = {
    *("127.0.0.1:1883", "*:8883", "127.0.0.1:8428", "*:8427", "127.0.0.1:8880", "127.0.0.1:9093")
}
"""Where the guide says that something listens; the dashboard's is not among them here."""
SLOW_S = 300.0


@dataclass
class Bench:
    """What the steps share.

    Attributes:
        engine: Runs the containers.
        folder: Of this run.
        receiver: Takes alerts.
        minutes: For which the simulated stations publish.
        numbers: Of readings in the database, by station, as last counted.
    """

    engine: Engine
    folder: Path
    receiver: Receiver
    minutes: float
    numbers: dict[str, int] = field(default_factory=dict)


def name_of(service: str) -> str:
    """Return the name of a service's container."""
    return f"fleet-{service}"


def fetch(url: str, body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
    """Ask a server of this machine, by TLS where its address says so; return status and body."""
    request = urllib.request.Request(url, body, headers)  # noqa: S310 - an address of ours
    try:
        context = scene.trusted() if url.startswith("https") else None
        with urllib.request.urlopen(request, timeout=20, context=context) as answer:  # noqa: S310
            return answer.status, answer.read()
    except urllib.error.HTTPError as exc:
        with exc:
            return exc.code, exc.read()


def ask(query: str) -> list[dict[str, Any]]:
    """Return what the database answers to a query."""
    words = urllib.parse.urlencode({"query": query, "nocache": 1, "latency_offset": "1ms"})
    status, body = fetch(f"{DATABASE}/api/v1/query?{words}")
    assert status == 200, (query, body)
    return list(json.loads(body)["data"]["result"])


def readings() -> dict[str, int]:
    """Return how many readings the database holds of each station, twice what it holds twice."""
    fetch(f"{DATABASE}/internal/force_flush")
    match = urllib.parse.urlencode({"match[]": "reading_seq", "start": 0, "end": 4_102_444_800})
    _, body = fetch(f"{DATABASE}/api/v1/export?{match}")
    counts: dict[str, int] = {}
    for series in map(json.loads, body.splitlines()):
        station = series["metric"]["station"]
        counts[station] = counts.get(station, 0) + len(series["values"])
    return counts


def refused(name: str, password: str | None = None) -> str:
    """Return what the broker says to a station, with another password where one is given."""
    folder = FLEET / "stations" / name
    config = load(folder / "brinewright.toml")
    assert config.mqtt is not None
    file = folder / "mqtt-password"
    right = file.read_text()
    file.write_text(right if password is None else f"{password}\n")
    will = availability(name, online=False)
    try:
        connect(broker_of(config.mqtt, f"{name}-look"), will, MQTT_5)[0].close(will)
    except SinkError as exc:
        return str(exc)
    finally:
        file.write_text(right)
    return ""


def containers_run(bench: Bench) -> str:
    """All are up, as the users that their images name, and say that they are well."""
    users = {}
    for service in IMAGES:
        name = name_of(service)

        wait_until(partial(_well, bench.engine, name), f"{name}: {_said(bench.engine, name)}")
        users[service] = Path(f"/proc/{bench.engine.pid(name)}").stat().st_uid
    assert users["broker"] == 1883, users
    assert users["notifier"] == 65534, users
    return f"users {users}"


def _well(engine: Engine, name: str) -> bool:
    return engine.ran("healthcheck", "run", name) == 0


def _said(engine: Engine, name: str) -> str:
    """Return what a container said last."""
    time.sleep(1)
    return " / ".join(engine.podman("logs", "--tail", "3", name).splitlines())


def health_can_fail(bench: Bench) -> str:
    """A server that stands still is not well."""
    for service in IMAGES:
        pid = bench.engine.pid(name_of(service))
        assert pid, f"{service} does not run"
        os.kill(pid, signal.SIGSTOP)
        # The look itself would wait for ever where it names no time of its own.
        words = ("timeout", "8", "podman", "healthcheck", "run", name_of(service))
        code = subprocess.run(words, capture_output=True, check=False).returncode
        os.kill(pid, signal.SIGCONT)
        assert code != 0, service
    return "each look fails while its server stands still"


def ports(bench: Bench) -> str:
    """What listens is what the guide names, and no more."""
    said = subprocess.run(["ss", "-Hltn"], capture_output=True, text=True, check=True).stdout
    found = {
        line.split()[3].replace("0.0.0.0:", "*:").replace("[::]:", "*:")
        for line in said.splitlines()
    }
    others = {f"127.0.0.1:{scene.RECEIVER_PORT}", "*:8407"}
    assert found - others == PORTS, found
    return ", ".join(sorted(found - others))


def rights(bench: Bench) -> str:
    """The broker reads what it needs, and no secret of a station; nobody else reads either."""
    inside = ("exec", "--user", "1883:1883", name_of("broker"), "/bin/cat")
    assert bench.engine.ran(*inside, str(FLEET / "passwords")) == 0
    closed = ("shared/influx-token", f"stations/{REAL}/mqtt-password", "gate.env", "receivers.yaml")
    for each in closed:
        assert bench.engine.ran(*inside, str(FLEET / each)) != 0, each
    stranger = ("setpriv", "--reuid=1999", "--regid=1999", "--clear-groups", "cat")
    for each in (*closed, "passwords", "rights"):
        code = subprocess.run([*stranger, FLEET / each], capture_output=True, check=False)
        assert code.returncode != 0, each
    return "the broker reads its passwords and none of " + ", ".join(closed)


def strangers(bench: Bench) -> str:
    """Who has no password, a wrong one, or a wrong token, gets nothing."""
    assert refused(SIMULATED[0]) == ""
    wrong = refused(SIMULATED[0], "another")
    assert "refused the account" in wrong, wrong
    line = b"reading,station=stranger,reservoir=mix-1 salinity=33.9,seq=1"
    token = (FLEET / "shared/influx-token").read_text().strip()
    write, query = (
        f"{GATE}/api/v2/write?org=aquarium&bucket=mixing",
        f"{GATE}/api/v1/query?query=up",
    )
    codes = {
        "write, no token": fetch(write, line)[0],
        "write, wrong token": fetch(write, line, Authorization="Token another")[0],
        "read, right token": fetch(query, Authorization=f"Token {token}")[0],
        "metrics of the gate": fetch(f"{GATE}/metrics")[0],
        "profile of the gate": fetch(f"{GATE}/debug/pprof/cmdline")[0],
    }
    assert all(code >= 400 for code in codes.values()), codes
    assert "stranger" not in readings()
    return f"{codes}"


def stations_publish(bench: Bench) -> str:
    """What simulated stations publish comes out of the broker, and lies in the database."""
    words = ("--folder", FLEET / "stations", "--observer", bench.folder / "observer.toml")
    more = ("--stations", "3", "--minutes", f"{bench.minutes}", "--database", "--json")
    done = subprocess.run(
        [*COMMAND, *words, *more], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    figures = json.loads(done.stdout)
    counted = readings()
    simulated = sum(counted.get(name, 0) for name in SIMULATED)
    assert figures["readings"] == simulated > 0, (figures, counted)
    assert (figures["lost"], figures["doubled"]) == (0, 0), figures
    return f"{figures['entries']} entries, 0 lost; {simulated} readings in the database"


def metrics_are_read(bench: Bench) -> str:
    """Of the station that runs; and the dashboard's queries find it."""
    query = 'up{job="brinewright"}'
    wait_until(lambda: len(ask(query)) == 4, "four targets", SLOW_S)
    wait_until(lambda: bool(ask(f'brinewright_reading_age_seconds{{station="{REAL}"}}')), "its age")
    up = {each["metric"]["station"]: each["value"][1] for each in ask(query)}
    assert up == {**dict.fromkeys(SIMULATED, "0"), REAL: "1"}, up
    shown = [each for each in queries() if "$station" in each]
    empty = [each for each in shown if not ask(each.replace("$station", ".*"))]
    # What a batch has not come to yet, and alarms that are not there, show nothing.
    return f"up {up}; {len(shown) - len(empty)} of {len(shown)} panels' queries find something"


def rules_are_loaded(bench: Bench) -> str:
    """Every rule, each evaluated without an error."""

    def evaluated() -> bool:
        return all(each["lastEvaluation"] > "2000" for each in loaded())

    def loaded() -> list[dict[str, Any]]:
        (group,) = json.loads(fetch(f"{RULES}/api/v1/rules")[1])["data"]["groups"]
        return list(group["rules"])

    wait_until(evaluated, "the first evaluation", SLOW_S)
    assert [each["name"] for each in loaded()] == [each["alert"] for each in rules()]
    assert not [each for each in loaded() if each.get("lastError")]
    return f"{len(loaded())} rules"


def alert_arrives(bench: Bench) -> str:
    """The stations that only were simulated cannot be read: a person reads of it, by way of all."""
    expected = {("StationOffline", name) for name in SIMULATED}
    wait_until(lambda: expected <= bench.receiver.alerts, "the alerts", SLOW_S)
    assert ("StationOffline", REAL) not in bench.receiver.alerts
    return f"{sorted(bench.receiver.alerts)}"


def restart_keeps_all(bench: Bench) -> str:
    """Containers that are made again have what those before had; the station goes on."""
    body = {
        "matchers": [{"name": "station", "value": "east-wing", "isRegex": False}],
        "startsAt": "2026-01-01T00:00:00Z",
        "endsAt": "2099-01-01T00:00:00Z",
        "createdBy": "keeper",
        "comment": "away",
    }
    sent = json.dumps(body).encode()
    status, said = fetch(
        f"{NOTIFIER}/api/v2/silences", sent, **{"Content-Type": "application/json"}
    )
    assert status == 200, said
    before, kept = readings(), retained(bench)
    assert [each for each in kept if each.startswith(f"brinewright/{REAL}/")], kept
    bench.engine.compose("down")
    down(bench)
    bench.engine.compose("up", "-d", *IMAGES)
    containers_run(bench)
    after = readings()
    assert all(after[name] >= count for name, count in before.items()), (before, after)
    assert kept <= retained(bench), kept
    silences = json.loads(fetch(f"{NOTIFIER}/api/v2/silences")[1])
    assert [each["comment"] for each in silences] == ["away"], silences
    wait_until(lambda: readings()[REAL] > after[REAL] + 2, "the station's next readings", SLOW_S)
    return f"{before} before, {readings()} now; {len(kept)} retained; the silence is there"


def down(bench: Bench) -> None:
    """Nothing of the containers is left but their volumes."""
    assert bench.engine.podman("ps", "-aq").strip() == ""


def killed_comes_back(bench: Bench) -> str:
    """A server that dies is started again, and the station loses nothing by it."""
    name = name_of("broker")
    before = bench.engine.pid(name)
    os.kill(before, signal.SIGKILL)
    wait_until(lambda: bench.engine.pid(name) not in {0, before}, "the broker again", SLOW_S)
    wait_until(lambda: refused(SIMULATED[0]) == "", "the broker to answer", SLOW_S)
    return "the broker was started again"


def withdrawn_is_refused(bench: Bench) -> str:
    """`reload`, as `prepare` wrote it, reaches the broker in its container."""
    old = (FLEET / "stations/south-wing/mqtt-password").read_text().strip()
    said = scene.provision("withdraw", "south-wing")
    assert "the broker knows" in said, said
    scene.provision("add", "south-wing", "--address", "127.0.0.33:8498")
    wait_until(lambda: refused("south-wing") == "", "the account that was made again")
    wait_until(lambda: "refused" in refused("south-wing", old), "the old password refused")
    return said.strip()


def nothing_lost(bench: Bench) -> str:
    """All that the station wrote down lies in the database, whatever happened to the containers."""
    status = subprocess.run(
        [sys.executable, "-m", "daemon.cli.main", "status", "--json", "--config",
         FLEET / "stations" / REAL / "brinewright.toml"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    exported = subprocess.run(
        [sys.executable, "-m", "daemon.cli.main", "export", "readings", "--config",
         FLEET / "stations" / REAL / "brinewright.toml"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert status.returncode == 0, status.stderr
    written = len(exported.stdout.splitlines()) - 1
    wait_until(lambda: readings()[REAL] >= written > 10, f"{written} readings", SLOW_S)
    held = readings()[REAL]
    # It goes on writing down one each two seconds, while this is looked at.
    assert held <= written + 5, (written, held)
    return f"{written} readings written down, {held} in the database a moment later"


def retained(bench: Bench) -> set[str]:
    """Return the topics on which the broker retains something."""
    password = (bench.folder / "reader-password").read_text().strip()
    words = ("mosquitto_sub", "-h", HOST, "-p", "8883", "--cafile", f"{scene.CERTIFICATES}/ca.pem")
    more = ("-u", "fleet-view", "-P", password, "-t", "brinewright/#", "-F", "%t", "-W", "2")
    done = subprocess.run(
        [*words, *more, "--retained-only"], capture_output=True, text=True, check=False
    )
    return set(done.stdout.split())


STEPS: tuple[Callable[[Bench], str], ...] = (
    containers_run,
    health_can_fail,
    ports,
    rights,
    strangers,
    stations_publish,
    metrics_are_read,
    rules_are_loaded,
    alert_arrives,
    restart_keeps_all,
    killed_comes_back,
    withdrawn_is_refused,
    nothing_lost,
)
