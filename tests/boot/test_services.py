"""The installed services under a real service manager, on each release of Debian."""

from __future__ import annotations

import re

import pytest

from tests.boot.installed import (
    CONFIG,
    PROGRAM,
    UNITS,
    active,
    both,
    configure,
    fetch,
    log_of,
    picture,
    show,
    until,
)
from tests.boot.machine import Machine

WATCHDOG_S, AGAIN_S = 30.0, 15.0
KILLING_FILTER = """[Service]
SystemCallErrorNumber=
SystemCallFilter=
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
"""


SENDS = f"""[Service]
Type=oneshot
Restart=no
WatchdogSec=0
ExecStart=
ExecStart=/opt/brinewright/current/bin/brinewright alarm test --config {CONFIG}
"""
"""In the place of publishing, as it is confined: what tries all receivers."""


TREND_FILE = "/var/lib/brinewright/journal-trend.db"
PLACES = (
    *("/trend", "/batches", "/lots", "/calibrations", "/calibrations/routine"),
    *("/api/station", "/api/readings?reservoir=mix-1", "/api/lots", "/api/calibrations"),
    *("/api/openapi.json", "/static/dygraph.js", "/static/frame.js"),
)


def restart(machine: Machine) -> None:
    """Start both services with what is configured now."""
    machine.run(["systemctl", "restart", *UNITS], check=True)


def test_both_services_come_with_the_boot_and_measure(running: Machine) -> None:
    """Ready, the page and the metrics answer, and readings are in the journal."""
    pages = {path: fetch(running, path) for path in ("/", "/metrics", "/healthz")}
    statuses = both(running, "StatusText")

    assert active(running)
    assert ["measuring: 1 of 1 probes give readings", "publishing"] == statuses
    assert {"200"} == {status for status, _ in pages.values()}
    assert "brinewright_conductivity" in pages["/metrics"][1]
    assert isinstance(picture(running)["conductivity_mS_cm"], float)


@pytest.mark.parametrize("path", PLACES)
def test_every_page_works_under_the_unit_s_confinement(running: Machine, path: str) -> None:
    """Some load the equations of seawater only when somebody looks, and one a library's script."""
    status, text = fetch(running, path)

    assert "200" == status, text
    # The trend of the past is prepared beside it, in a file of its own.
    assert running.run(["test", "-s", TREND_FILE]).returncode == 0
    assert active(running)


def test_each_runs_as_the_service_s_user_without_any_capability(running: Machine) -> None:
    """Nothing may be gained either, and calls are filtered."""
    user = running.run(["id", "-u", "brinewright"], check=True).stdout.strip()
    for unit in UNITS:
        pid = show(running, unit)["MainPID"]
        status = running.read(f"/proc/{pid}/status").decode()
        found = dict(re.findall(r"^(\w+):\s+(.+)$", status, re.MULTILINE))

        assert [user] * 4 == found["Uid"].split()
        assert {"0" * 16} == {found[name] for name in ("CapEff", "CapPrm", "CapBnd", "CapAmb")}
        assert ("1", "2") == (found["NoNewPrivs"], found["Seccomp"])


def test_the_records_are_the_service_s_and_readable_by_keepers_alone(running: Machine) -> None:
    """Owner, group and mode of each file and folder."""
    told = running.run(["find", "/var/lib/brinewright", "-printf", "%P %M %u %g\n"], check=True)
    found = dict(line.split(" ", 1) for line in told.stdout.splitlines())
    ours = "brinewright brinewright-keepers"

    assert f"drwxr-x--- {ours}" == found.pop("")
    assert f"drwxrws--- {ours}" == found.pop("inbox")
    assert f"-rw-rw---- {ours}" == found["inbox/journal-inbox.db"]
    assert f"prw-rw---- {ours}" == found.pop("inbox/journal-inbox.bell")
    inbox = {each for name, each in found.items() if name.startswith("inbox/")}
    others = {each for name, each in found.items() if not name.startswith("inbox/")}
    assert {f"-rw-rw---- {ours}"} == inbox
    assert {f"-rw-r----- {ours}"} == others


def test_a_process_that_stands_still_is_started_again(station: Machine) -> None:
    """Both are stopped; each is replaced within its watchdog's time and measures on."""
    before = both(station, "MainPID")
    station.run(["systemctl", "kill", "--signal=STOP", *UNITS], check=True)

    took_s = until(
        station,
        "both are replaced",
        lambda: active(station) and not set(both(station, "MainPID")) & {*before, "0"},
        WATCHDOG_S + AGAIN_S,
    )

    assert took_s > WATCHDOG_S / 2
    assert all(int(count) >= 1 for count in both(station, "NRestarts"))
    assert "200" == fetch(station, "/healthz")[0]


def test_six_kills_in_a_row_do_not_end_a_service(station: Machine) -> None:
    """However soon one comes after the other."""
    for _ in range(6):
        pids = both(station, "MainPID")
        station.run(["systemctl", "kill", "--signal=KILL", *UNITS], check=True)
        until(
            station,
            "both run again",
            lambda pids=pids: not set(both(station, "MainPID")) & {*pids, "0"},  # type: ignore[misc]
            AGAIN_S,
        )
    until(station, "both are ready", lambda: active(station), AGAIN_S)

    assert ["6", "6"] == both(station, "NRestarts")


def test_a_wrong_configuration_ends_with_78_and_is_not_tried_again(station: Machine) -> None:
    """Until it is put right and started."""
    right = station.read(CONFIG).decode()
    wrong = right.replace("capacity_l = 220", "capacity_l = -220")
    station.write(CONFIG, wrong, mode=0o640, owner="root:brinewright-keepers")
    station.run(["systemctl", "restart", *UNITS])
    failed = both(station, "ExecMainStatus"), both(station, "ActiveState")
    again = both(station, "NRestarts")
    station.write(CONFIG, right, mode=0o640, owner="root:brinewright-keepers")
    restart(station)

    assert (["78", "78"], ["failed", "failed"], ["0", "0"]) == (*failed, again)
    assert "capacity_l" in log_of(station, UNITS[0])
    assert active(station)


@pytest.mark.on_release("trixie")
def test_a_missing_port_is_a_known_fault_and_no_reason_to_stay_down(station: Machine) -> None:
    """Ready, with the fault in the status line; a reading when the port is there."""
    configure(station, port="/dev/brinewright/nothing")
    restart(station)
    missing = both(station, "StatusText")[0], active(station)
    configure(station)
    restart(station)

    assert missing[1]
    assert "0 of 1 probes give readings" in missing[0]
    assert "/dev/brinewright/nothing" in missing[0]
    assert "measuring: 1 of 1 probes give readings" == both(station, "StatusText")[0]


@pytest.mark.on_release("bookworm")
def test_the_time_service_s_mark_counts_where_the_kernel_may_not_be_asked(
    station: Machine,
) -> None:
    """The container refuses the call; readings say the clock is set once the mark is there."""

    def synced() -> bool:
        told = station.run([PROGRAM, "export", "readings"], check=True).stdout.splitlines()
        return told[-1].split(",")[told[0].split(",").index("synced")] == "1"

    before = synced()
    station.run(["mkdir", "-p", "/run/systemd/timesync"], check=True)
    station.run(["touch", "/run/systemd/timesync/synchronized"], check=True)

    assert not before
    until(station, "readings say so", synced, 20.0)


def test_a_secret_from_the_service_manager_is_taken(station: Machine) -> None:
    """Its file is root's alone; the service never could read it."""
    secret = "/etc/brinewright/secrets/mqtt-password"
    station.write(secret, "tide-table\n", mode=0o600)
    more = '\n[mqtt]\nhost = "127.0.0.1"\nusername = "quarantine-wing"\n'
    configure(station, more + 'password_file = "mqtt-password"\n')
    refused = station.run(["systemctl", "restart", UNITS[1]]).returncode
    why = log_of(station, UNITS[1])
    station.write(
        "/etc/systemd/system/brinewright-publish.service.d/secrets.conf",
        f"[Service]\nLoadCredential=mqtt-password:{secret}\n",
    )
    station.run(["systemctl", "daemon-reload"], check=True)
    restart(station)

    assert refused != 0
    assert "mqtt-password cannot be read" in why
    assert active(station)
    assert "publishing to mqtt fails" in log_of(station, UNITS[1])


@pytest.mark.on_release("bookworm")
def test_a_filter_that_kills_is_noticed_by_these_tests(station: Machine) -> None:
    """The filter as it once was, put back: measuring dies at each start."""
    unit = UNITS[0]
    station.write(f"/etc/systemd/system/{unit}.service.d/filter.conf", KILLING_FILTER)
    station.run(["systemctl", "daemon-reload"], check=True)
    station.run(["systemctl", "stop", unit], check=True)
    station.run(["systemctl", "start", "--no-block", unit], check=True)
    until(
        station,
        "measuring has been killed again and again",
        lambda: int(show(station, unit)["NRestarts"]) >= 2,
        AGAIN_S,
    )

    assert "status=31/SYS" in log_of(station, unit)


def test_a_message_leaves_under_the_unit_s_confinement(station: Machine) -> None:
    """The process that sends it starts, and says of a receiver that is not there what is wrong."""
    owner = "brinewright:brinewright-keepers"
    station.write("/etc/brinewright/receivers", "json://127.0.0.1:9/\n", mode=0o600, owner=owner)
    configure(station, '\n[notify]\nurls_file = "receivers"\n')
    station.write(f"/etc/systemd/system/{UNITS[1]}.service.d/sends.conf", SENDS)
    station.run(["systemctl", "daemon-reload"], check=True)
    station.run(["systemctl", "restart", UNITS[1]])

    assert "Connection refused" in " ".join(log_of(station, UNITS[1]).split())


def test_the_units_expose_no_more_than_they_must(running: Machine) -> None:
    """At most 1.5 of 10 by the measure of the release's own service manager."""
    for unit in UNITS:
        path = f"/etc/systemd/system/{unit}.service"
        words = ["systemd-analyze", "security", "--offline=true", "--threshold=15", path]
        done = running.run(words)

        assert 0 == done.returncode, done.stdout[-300:]
