"""Machines start, obey, share, stop and leave nothing: what the other boot tests lean on."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.boot.conftest import MakeMachine
from tests.boot.instrument import PORT, add_instrument
from tests.boot.machine import OWN_MOUNTS, Machine
from tests.boot.prepare import prepare
from tests.boot.roots import RELEASES, make_root
from tests.boot.wheels import LOCKS, ROOT, make_wheels
from tests.conftest import wait_until

LONG = f"600.{os.getpid()}"
"""Seconds to sleep; those of other tests at the same time are others."""

SLEEPER = f"/usr/bin/sleep {LONG}"


def test_the_release_runs_with_its_own_python(machine: Machine, release: str) -> None:
    """What is booted is that release of Debian, under systemd."""
    system = machine.run(["cat", "/etc/os-release"], check=True).stdout
    python = machine.run(["python3", "--version"], check=True).stdout
    first = machine.read("/proc/1/comm")

    assert (True, True) == (f"({release})" in system, f" {RELEASES[release]}." in python)
    assert b"systemd\n" == first


@pytest.mark.on_release("bookworm")
def test_a_command_gives_its_exit_code_and_both_outputs(machine: Machine) -> None:
    """A command runs as on a terminal of the machine, and each output comes apart."""
    done = machine.run(["sh", "-c", "cat; echo oh dear >&2; exit 7"], stdin="salt\n")

    assert (7, "salt\n", "oh dear\n") == (done.returncode, done.stdout, done.stderr)


@pytest.mark.on_release("trixie")
def test_a_user_has_the_groups_of_the_machine(machine: Machine) -> None:
    """A user's command has that user's groups, home and nothing of root."""
    machine.run(["useradd", "--create-home", "--groups", "dialout", "alice"], check=True)

    groups = machine.run(["id", "-Gn"], user="alice", check=True).stdout
    home = machine.run(["sh", "-c", 'echo "$HOME"'], user="alice", check=True).stdout
    shadow = machine.run(["cat", "/etc/shadow"], user="alice")

    assert ("alice dialout\n", "/home/alice\n") == (groups, home)
    assert (1, "") == (shadow.returncode, shadow.stdout)


@pytest.mark.on_release("bookworm")
def test_a_command_that_takes_too_long_is_ended(machine: Machine) -> None:
    """Neither the command nor what it started goes on after its time."""
    with pytest.raises(AssertionError, match=r"more than 0\.5 s"):
        machine.run(["sh", "-c", f"sleep {LONG} & sleep {LONG}"], timeout_s=0.5)

    wait_until(lambda: not _processes(f"sleep {LONG}"), "what was started to end")


@pytest.mark.on_release("trixie")
def test_a_folder_of_the_host_is_there_and_cannot_be_written(
    release: str, make_machine: MakeMachine, tmp_path: Path
) -> None:
    """Files of the host are read where they were put, and are safe from the machine."""
    (tmp_path / "note").write_text("from outside")
    machine = make_machine([make_root(release)], {"/mnt/given": tmp_path})
    machine.boot()

    refused = machine.run(["touch", "/mnt/given/other"])

    assert b"from outside" == machine.read("/mnt/given/note")
    assert (1, True) == (refused.returncode, "Read-only file system" in refused.stderr)


@pytest.mark.on_release("bookworm")
def test_files_and_enabled_units_are_there_after_the_next_start(machine: Machine) -> None:
    """A machine that was off starts with the disk that it had, also with what was put there."""
    machine.write("/srv/first", "kept", mode=0o640, owner="root:dialout")
    machine.power_off()
    unit = "[Service]\nType=oneshot\nExecStart=touch /srv/third\n[Install]\nWantedBy=basic.target\n"
    machine.write("/etc/systemd/system/trace.service", unit)
    machine.run(["systemctl", "enable", "trace.service"], check=True)

    assert "running" == machine.boot()
    listed = machine.run(["stat", "--format=%n %a %G", "/srv/first", "/srv/third"], check=True)

    assert ["/srv/first 640 dialout", "/srv/third 644 root"] == listed.stdout.splitlines()


@pytest.mark.on_release("trixie")
def test_a_failed_unit_shows_in_the_state_and_on_the_console(machine: Machine) -> None:
    """A start with a unit that fails is over all the same, and says which."""
    machine.power_off()
    unit = "[Service]\nType=oneshot\nExecStart=false\n[Install]\nWantedBy=multi-user.target\n"
    machine.write("/etc/systemd/system/broken.service", unit)
    machine.run(["systemctl", "enable", "broken.service"], check=True)

    assert "degraded" == machine.boot()
    assert "broken.service: Failed with result 'exit-code'" in machine.console


@pytest.mark.on_release("bookworm")
def test_a_copy_of_a_disk_leaves_the_disk_as_it_was(
    machine: Machine, make_machine: MakeMachine
) -> None:
    """Machines that begin with another's disk have its files, and theirs are their own."""
    machine.write("/srv/common", "both")
    machine.power_off()
    copy = make_machine(machine.disk)
    copy.boot()
    copy.write("/srv/own", "only here")
    copy.power_off()

    assert (b"both", b"only here") == (copy.read("/srv/common"), copy.read("/srv/own"))
    assert 1 == machine.run(["cat", "/srv/own"]).returncode


def test_the_wheels_install_without_a_network(release: str, make_machine: MakeMachine) -> None:
    """The folder alone has all that the locks want, for the machine's own Python."""
    mounts = {"/mnt/wheels": make_wheels(RELEASES[release]), "/mnt/project": ROOT}
    machine = make_machine([make_root(release)], mounts)
    machine.run(["python3", "-m", "venv", "/opt/trial"], check=True)
    install = ["/opt/trial/bin/pip", "install", "--dry-run", "--no-index", "--require-hashes"]
    locks = [word for lock in LOCKS for word in ("-r", f"/mnt/project/{lock}")]

    planned = machine.run([*install, "--find-links=/mnt/wheels", *locks], check=True).stdout

    assert re.search(r"^Would install .*gsw-.*hatchling-.*numpy-.*pydantic", planned, re.MULTILINE)


@pytest.fixture
def instrument(release: str, make_machine: MakeMachine) -> Machine:
    """A machine with the simulated instrument and a keeper who may read it."""
    machine = make_machine([make_root(release)], {"/mnt/project": ROOT})
    machine.boot()
    machine.run(["useradd", "--groups", "dialout", "alice"], check=True)
    add_instrument(machine, "/usr/bin/python3", story="unplugged", speed=600, home="/mnt/project")
    return machine


ASK = """
import os, sys, time
def ask():
    port = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
    os.write(port, b"READ?\\n")
    said = os.read(port, 100)
    os.close(port)
    return said.decode()
print(ask())
"""
ASK_AGAIN = """
while os.path.exists(sys.argv[1]):
    time.sleep(0.01)
while True:
    try:
        print(ask())
        break
    except OSError:
        time.sleep(0.01)
"""


@pytest.mark.on_release("bookworm")
def test_a_member_of_dialout_reads_the_instrument(instrument: Machine) -> None:
    """Who may read serial ports is answered, and nobody else is; also after another start."""
    for _ in range(2):
        heard = instrument.run(["python3", "-c", ASK, PORT], user="alice", check=True)
        refused = instrument.run(["python3", "-c", ASK, PORT], user="nobody")

        assert re.fullmatch(r"[\d.]+,[\d.]+\s*", heard.stdout), heard.stdout
        assert (1, True) == (refused.returncode, "Permission denied" in refused.stderr)
        instrument.power_off()
        instrument.boot()


@pytest.mark.on_release("trixie")
def test_an_instrument_that_is_plugged_in_again_can_be_read(instrument: Machine) -> None:
    """The port of a cable that was out has the rights of the first one."""
    command = ["python3", "-c", ASK + ASK_AGAIN, PORT]
    heard = instrument.run(command, user="alice", timeout_s=30, check=True)

    assert 2 == len(re.findall(r"[\d.]+,[\d.]+", heard.stdout))


@pytest.mark.parametrize("ending", ["power off", "kill"])
@pytest.mark.on_release("trixie")
def test_nothing_of_a_machine_is_left(machine: Machine, ending: str) -> None:
    """After a shutdown and after a power cut the host is as before."""
    machine.run(["systemd-run", "--property=Type=exec", "sleep", LONG], check=True)
    during = (len(_processes(SLEEPER)), len(_control_groups(machine.name)))
    if ending == "kill":
        machine.kill()
    else:
        machine.power_off()
    machine.run(["true"], check=True)
    machine.close()

    assert (1, 1) == during
    assert ([], []) == (_processes(SLEEPER), _control_groups(machine.name))
    assert [] == [line for line in _mounts() if str(machine.folder) in line]
    assert ["console.log"] == [each.name for each in machine.folder.iterdir()]
    assert [] == list(Path("/run/systemd").glob(f"nspawn/*/*{machine.name}*"))


BOOT_AND_WAIT = """
import sys, time
from pathlib import Path
from tests.boot.machine import Machine
machine = Machine(Path(sys.argv[1]), [Path(sys.argv[2])])
machine.boot()
machine.run(["systemd-run", "--property=Type=exec", "sleep", sys.argv[3]], check=True)
print(machine.name, flush=True)
time.sleep(600)
"""


@pytest.mark.on_release("bookworm")
def test_a_machine_ends_with_the_process_that_started_it(release: str, tmp_path: Path) -> None:
    """Tests that are killed leave no system running, and the next run removes the rest."""
    command = [sys.executable, "-c", BOOT_AND_WAIT, str(tmp_path), str(make_root(release)), LONG]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as tests:
        assert tests.stdout is not None
        name = tests.stdout.readline().strip()
        during = len(_processes(SLEEPER))
        tests.kill()

    wait_until(lambda: not _processes(SLEEPER), "the system to end")
    wait_until(lambda: [] == [line for line in _mounts() if str(tmp_path) in line], "the disk")

    def is_swept() -> bool:
        prepare()
        return not _control_groups(name)

    assert 1 == during
    wait_until(is_swept, "the control groups to be removed")


def test_the_reason_is_said_where_nothing_can_be_booted(tmp_path: Path) -> None:
    """Without root or Debian's tools one line says what to do, by an exit code of its own."""
    tried = subprocess.run(
        [sys.executable, "-m", "tests.boot.prepare"],
        cwd=ROOT,
        env={"PATH": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )

    wanted = "packages are missing: apt install mmdebstrap systemd-container util-linux\n"
    if os.geteuid() != 0:
        wanted = "booting a system needs root\n"
    assert (69, wanted, "") == (tried.returncode, tried.stdout, tried.stderr)


def _processes(command: str) -> list[str]:
    """Numbers of all processes of the host, in whatever container, with that command line."""
    wanted = command.replace(" ", "\0").encode() + b"\0"
    found = []
    for line in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            if line.read_bytes() == wanted:
                found.append(line.parent.name)
    return found


def _control_groups(name: str) -> list[str]:
    """Control groups of version 2 with that name, wherever the host has them mounted."""
    script = 'mount -t cgroup2 cgroup2 /sys/fs/cgroup && find /sys/fs/cgroup -name "$1"'
    listed = subprocess.run(
        [*OWN_MOUNTS, "sh", "-c", script, "sh", name], capture_output=True, text=True, check=True
    )
    return listed.stdout.split()


def _mounts() -> list[str]:
    """What is mounted in any namespace of the host, as far as a process is in it."""
    found: set[str] = set()
    for table in Path("/proc").glob("[0-9]*/mountinfo"):
        with contextlib.suppress(OSError):
            found.update(table.read_text().splitlines())
    return sorted(found)
