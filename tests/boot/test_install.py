"""The installer: what each of its ways leaves on the machine.

What takes long is tested by `tests/run` on one release of Debian, and on each by

    python -m pytest tests/boot --every-release
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.boot.installed import (
    CONFIG,
    JOURNAL,
    PROGRAM,
    SOURCE,
    UNITS,
    active,
    both,
    install,
    log_of,
    newest_seq,
    until,
)
from tests.boot.machine import Machine

PLACES = (
    "/opt/brinewright",
    "/etc/brinewright",
    "/var/lib/brinewright",
    PROGRAM,
    "/etc/udev/rules.d/70-brinewright.rules",
    "/etc/udev/rules.d/55-brinewright-buses.rules",
    "/etc/tmpfiles.d/brinewright.conf",
    *(f"/etc/systemd/system/{unit}.service" for unit in UNITS),
)
NEWER = "/srv/newer"


def there(machine: Machine) -> set[str]:
    """Which of the places of an installation there are."""
    script = 'for place; do if [ -e "$place" ]; then echo "$place"; fi; done'
    return {*machine.run(["sh", "-c", script, "sh", *PLACES], check=True).stdout.split()}


def version(machine: Machine, name: str = "current") -> str:
    """The version that a name points to."""
    done = machine.run(["readlink", "-f", f"/opt/brinewright/{name}"], check=True)
    return Path(done.stdout.strip()).name


def make_newer(machine: Machine, edit: str = "") -> None:
    """Put a checkout of another version on the machine, with an edit by a shell's line."""
    parts = "pyproject.toml README.md LICENSE daemon calibration simulators deploy"
    script = (
        f"rm -rf {NEWER} && mkdir {NEWER} && cd {SOURCE} && cp -r {parts} {NEWER} && cd {NEWER}"
        f" && sed -i 's/^version = .*/version = \"9.9.9\"/' pyproject.toml && {edit or 'true'}"
    )
    machine.run(["sh", "-ec", script], check=True)


def test_a_dry_run_names_all_and_does_nothing(untouched: Machine) -> None:
    """Also for who is not root."""
    done = install(untouched, "--dry-run", user="nobody")

    assert (0, set()) == (done.returncode, there(untouched))
    for each in ("make the user brinewright", "install version", "write /etc/systemd", "start"):
        assert f"would {each}" in done.stdout
    assert 2 == untouched.run(["getent", "passwd", "brinewright"]).returncode


@pytest.mark.parametrize(
    "fake, sentence",
    [
        ("getconf=32", "this system is a 32-bit one"),
        ("uname=mips", "the kind mips was never tried"),
    ],
)
def test_a_machine_that_cannot_is_refused_in_words(
    untouched: Machine, fake: str, sentence: str
) -> None:
    """Before anything is changed."""
    name, answer = fake.split("=")
    untouched.write(f"/srv/{name}/{name}", f"#!/bin/sh\necho {answer}\n", mode=0o755)
    path = f"PATH=/srv/{name}:/usr/sbin:/usr/bin:/sbin:/bin"
    done = untouched.run(["env", path, f"{SOURCE}/deploy/install"])

    assert (69, set()) == (done.returncode, there(untouched))
    assert sentence in done.stderr


@pytest.mark.on_release("trixie")
def test_who_is_not_root_is_told(untouched: Machine) -> None:
    """With the command that would be right."""
    done = install(untouched, user="nobody")

    assert (69, set()) == (done.returncode, there(untouched))
    assert "sudo deploy/install" in done.stderr


def test_a_second_install_changes_nothing(station: Machine) -> None:
    """The processes go on, and the configuration stays as it was edited."""
    before, config = both(station, "MainPID"), station.read(CONFIG)
    done = install(station)

    assert 0 == done.returncode, done.stderr
    assert "nothing was left to do" in done.stdout
    assert (before, config) == (both(station, "MainPID"), station.read(CONFIG))


@pytest.mark.on_release("bookworm")
def test_what_is_missing_is_mended(station: Machine) -> None:
    """A unit that was changed, a link that was removed, an interpreter that has gone."""
    unit = f"/etc/systemd/system/{UNITS[1]}.service"
    right = station.read(unit)
    station.run(["rm", PROGRAM, "/opt/brinewright/current/bin/python3"], check=True)
    station.write(unit, "[Service]\nExecStart=/bin/false\n")
    done = install(station)

    assert 0 == done.returncode, done.stderr
    assert right == station.read(unit)
    assert station.run([PROGRAM, "--version"]).returncode == 0
    assert active(station)


@pytest.mark.on_release("trixie")
def test_an_upgrade_keeps_records_and_can_be_taken_back(station: Machine) -> None:
    """The newer version goes on in the same journal; by --rollback the older one does."""
    make_newer(station)
    old, before = version(station), newest_seq(station)
    plain = install(station, source=NEWER)
    done = install(station, "--upgrade", source=NEWER)
    new = version(station)
    told = station.run([PROGRAM, "--version"], check=True).stdout.strip()
    after = newest_seq(station)
    back = station.run(["/opt/brinewright/current/deploy/install", "--rollback"], timeout_s=200)

    assert (2, True) == (plain.returncode, "--upgrade changes to 9.9.9-" in plain.stderr)
    assert 0 == done.returncode, done.stderr
    assert ("9.9.9", True, old) == (told, new.startswith("9.9.9-"), version(station))
    assert after > before
    assert 0 == back.returncode, back.stderr
    assert new == version(station, "previous")
    assert active(station)
    assert newest_seq(station) > after
    copies = station.run(["ls", "/var/lib/brinewright/backups"], check=True).stdout.split()
    assert [True] == [each.startswith(f"before-{new}-") for each in copies]


BROKEN = "printf 'raise SystemExit(3)\\n' >>daemon/measure/main.py"
ENDS = "sed -i 's/^        measure(.*)/        return 3/' daemon/measure/main.py"
NEVER_READY = (
    "sed -i 's/READY=1/NEVER=1/' daemon/supervision.py"
    " && sed -i 's/^ready_within_s=60$/ready_within_s=30/' deploy/install"
)
OTHER_SCHEMA = (
    "printf '\\nMIGRATIONS += (\"CREATE TABLE tides (id INTEGER) STRICT;\",)\\n'"
    " >>daemon/journal/schema.py"
)


@pytest.mark.on_release("bookworm")
def test_an_upgrade_that_ends_at_once_goes_back(station: Machine) -> None:
    """The older version runs again, with all records."""
    assert_goes_back(station, ENDS)


@pytest.mark.on_release("trixie")
def test_an_upgrade_that_never_is_ready_goes_back_with_its_journal(station: Machine) -> None:
    """Though it has changed the journal so that the older version could not read it."""
    said = assert_goes_back(station, f"{NEVER_READY} && {OTHER_SCHEMA}")

    assert "did not get ready (waited for at most 30 s)" in said


def assert_goes_back(station: Machine, edit: str) -> str:
    """Upgrade to a version with that edit, and expect the older one to run; return the reasons."""
    make_newer(station, edit)
    old, before = version(station), newest_seq(station)
    done = install(station, "--upgrade", source=NEWER)

    assert 1 == done.returncode, done.stdout + done.stderr
    assert "runs again" in done.stderr
    assert old == version(station)
    until(station, "both are ready", lambda: active(station), 30.0)
    assert newest_seq(station) >= before
    assert "newer version wrote it" not in log_of(station, UNITS[0])[-500:]
    return done.stderr


@pytest.mark.on_release("bookworm")
@pytest.mark.parametrize(
    "edit, code, said",
    [
        ("sed -i 's/use_within_h/use_before_h/' daemon/config/models.py", 78, "use_within_h"),
        (BROKEN, 69, "does not start"),
    ],
)
def test_an_upgrade_that_cannot_be_done_changes_nothing(
    station: Machine, edit: str, code: int, said: str
) -> None:
    """It does not take the configuration, or does not even load: the older one never stops."""
    make_newer(station, edit)
    before = version(station), both(station, "MainPID")
    done = install(station, "--upgrade", source=NEWER)

    assert code == done.returncode
    assert said in done.stderr
    assert before == (version(station), both(station, "MainPID"))


def test_uninstalling_keeps_records_unless_told(station: Machine) -> None:
    """Nobody is there to be asked, so they stay; then they go, and the accounts with them."""
    kept = install(station, "--uninstall")
    left = there(station)
    records = station.run(["test", "-s", JOURNAL]).returncode
    gone = install(station, "--uninstall", "--remove-data")

    assert (0, 0) == (kept.returncode, records), kept.stderr
    assert {"/etc/brinewright", "/var/lib/brinewright"} == left
    assert (0, set()) == (gone.returncode, there(station))
    assert 2 == station.run(["getent", "passwd", "brinewright"]).returncode
    assert 2 == station.run(["getent", "group", "brinewright-keepers"]).returncode


@pytest.mark.on_release("bookworm")
def test_an_uninstalled_program_finds_its_records_again(station: Machine) -> None:
    """Installed once more it goes on in the same journal."""
    before = newest_seq(station)
    install(station, "--uninstall")
    done = install(station)

    assert 0 == done.returncode, done.stderr
    assert newest_seq(station) > before
