"""`brinewright backup`: what it prints, how it ends, and what becomes of the configuration."""

from __future__ import annotations

import json
import os
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.cli import backup as verbs
from daemon.cli.main import invoke
from daemon.cli.output import CONFIG, NOT_SO, OK, UNAVAILABLE, USAGE
from daemon.config import ConfigError
from daemon.journal.backup import archive, settings_file
from daemon.journal.cursors import cursors_path
from daemon.journal.lock import take_lock
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.publishing.notify.queue_file import QueueFile, queue_path
from tests.parts.backups import entries_of, fill, names, station
from tests.parts.configurations import configuration

SECTIONS = configuration("""
[journal]
path = "journal.db"
[mqtt]
host = "127.0.0.1"
username = "brinewright"
password_file = "mqtt-password"
[influx]
url = "http://127.0.0.1:8086"
org = "aquarium"
bucket = "mixing"
token_file = "influx-token"
[notify]
urls_file = "receivers"
[heartbeat]
url_file = "heartbeat-url"
""")
SECRETS = ("mqtt-password", "influx-token", "receivers", "heartbeat-url")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A station's folder, with its configuration and secrets."""
    home = tmp_path / "home"
    home.mkdir()
    (home / "brinewright.toml").write_text(SECTIONS)
    for name in SECRETS:
        (home / name).write_text(f"the word of {name}\n")
    station(home)
    return home


def run(*words: str | Path) -> int:
    """Run `brinewright backup` with some words."""
    return invoke(["backup", *map(str, words)])


def create(home: Path, *more: str | Path) -> int:
    """Back a station up to `a.backup` beside its folder."""
    return run("create", home.parent / "a.backup", "--config", home / "brinewright.toml", *more)


def restore(home: Path, to: Path, *more: str) -> int:
    """Restore that to a configuration."""
    return run("restore", home.parent / "a.backup", "--config", to, *more)


def test_a_backup_names_what_is_in_it_and_what_is_not(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The keeper knows what to keep elsewhere, and no secret is in the file."""
    code = create(home)
    said = capsys.readouterr()

    assert (OK, "") == (code, said.err)
    assert "station quarantine-wing, made " in said.out
    for part in ("journal.db", "cursors.db", "inbox.db", "brinewright.toml", "newest entry: 2031"):
        assert part in said.out
    assert "passwords, tokens and certificates are not in it" in said.out
    assert all(str(home / name) in said.out for name in SECRETS)
    packed = (home.parent / "a.backup").read_bytes()
    with archive.opened(home.parent / "a.backup") as found:
        packed += b"".join(found.read(name) for name in found.manifest.members)
    assert not any(f"the word of {name}".encode() in packed for name in SECRETS)


def test_json_says_the_same_in_one_object(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """For a timer that copies it elsewhere; `check` says what `create` said."""
    create(home, "--json")
    made = json.loads(capsys.readouterr().out)
    code = run("check", home.parent / "a.backup", "--json")
    checked = json.loads(capsys.readouterr().out)

    assert (OK, made) == (code, checked)
    assert (home.parent / "a.backup").stat().st_size == made["bytes"]
    assert {"journal.db", "cursors.db", "inbox.db", "brinewright.toml"} == set(made["members"])
    assert [str(home / name) for name in SECRETS] == made["left_out"]
    assert ("quarantine-wing", [], 0, None, max(entries_of(home / "journal.db"))) == (
        made["station"], made["missing"], made["damaged"], made["spoilt"], made["last_seq"],
    )  # fmt: skip


def test_a_file_that_is_there_is_a_usage_error(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Unless it may be replaced."""
    assert [OK, USAGE, OK] == [create(home), create(home), create(home, "--force")]
    assert "a.backup exists already; name another, or --force" in capsys.readouterr().err


@pytest.mark.parametrize("own", ["brinewright.toml", "influx-token", "journal.db"])
def test_a_file_of_the_station_is_never_replaced(
    home: Path, capsys: pytest.CaptureFixture[str], own: str
) -> None:
    """A typing error with --force costs neither records nor secrets."""
    before = (home / own).read_bytes()
    words = ("create", home / own, "--force", "--config", home / "brinewright.toml")

    assert USAGE == run(*words)
    assert "this is a file of the station" in capsys.readouterr().err
    assert before == (home / own).read_bytes()


def test_no_journal_is_a_service_that_is_not_there(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As for every verb."""
    (home / "journal.db").unlink()

    assert UNAVAILABLE == create(home)
    assert "there is none yet" in capsys.readouterr().err


def test_a_wrong_configuration_ends_with_its_code(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every fault of it is named."""
    (home / "brinewright.toml").write_text(SECTIONS.replace("capacity_l", "capacity"))

    assert [CONFIG, CONFIG] == [create(home), restore_of_nothing(home)]
    assert "capacity_l" in capsys.readouterr().err


def restore_of_nothing(home: Path) -> int:
    """Restore a good backup over a wrong configuration."""
    right = home.parent / "right"
    right.mkdir()
    (right / "brinewright.toml").write_text(SECTIONS)
    station(right)
    create(right)
    return restore(home, home / "brinewright.toml")


def test_of_a_spoilt_journal_there_is_a_backup_and_a_complaint(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The timer's mail says so, and what could be kept is kept."""
    with closing(sqlite3.connect(home / "journal.db", isolation_level=None)) as db:
        db.execute("UPDATE events SET facts = '{}' WHERE seq = 11")
    cursors_path(home / "journal.db").write_bytes(b"noise" * 1000)

    assert NOT_SO == create(home)
    said = capsys.readouterr().err
    assert "the journal was spoilt on the disk (event 11 was changed)" in said
    assert "not in the backup: how far publishers are" in said
    assert OK == run("check", home.parent / "a.backup")


@pytest.mark.parametrize(
    "file, said, code",
    [
        ("none", "there is no such file", USAGE),
        (".", "there is no such file", USAGE),
        ("home/brinewright.toml", "cut off or no backup", NOT_SO),
        ("x" * 300, "there is no such file|cannot be read", USAGE),
    ],
)
@pytest.mark.parametrize("verb", ["check", "restore"])
def test_what_is_no_backup_is_a_sentence(
    home: Path, capsys: pytest.CaptureFixture[str], file: str, said: str, code: int, verb: str
) -> None:
    """Never a traceback."""
    assert code == run(verb, home.parent / file)
    told = capsys.readouterr().err
    assert any(part in told for part in said.split("|"))


def test_a_fresh_machine_gets_the_configuration_too(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It says where the journal belongs, and which secrets are still to be brought."""
    create(home)
    there = home.parent / "fresh" / "etc" / "brinewright.toml"
    capsys.readouterr()
    code = restore(home, there)
    said = capsys.readouterr()

    assert (OK, SECTIONS) == (code, there.read_text())
    assert 0o640 == there.stat().st_mode & 0o777
    assert (
        entries_of(home / "journal.db").items() <= entries_of(there.with_name("journal.db")).items()
    )
    assert f"configuration: written to {there}" in said.out
    assert "now start measuring and publishing" in said.out


def test_secrets_that_are_not_there_are_named(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The service would not publish without them."""
    create(home)
    (home / "influx-token").unlink()
    restore(home, home / "brinewright.toml")

    assert f"not here either: {home / 'influx-token'}.\n" in capsys.readouterr().err


def test_a_configuration_that_is_there_stays(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """That of the backup is beside it; what differs is for the keeper to see."""
    create(home)
    now = SECTIONS.replace("target_ppt = 34.0", "target_ppt = 33.0")
    (home / "brinewright.toml").write_text(now)
    capsys.readouterr()
    assert OK == restore(home, home / "brinewright.toml", "--json")

    told = json.loads(capsys.readouterr().out)
    assert now == (home / "brinewright.toml").read_text()
    assert SECTIONS == (home / "brinewright.toml.from-backup").read_text()
    assert str(home / "brinewright.toml.from-backup") == told["configuration"]
    assert 1 == told["commands_not_carried_out"]
    assert 3 == len(told["put_aside"])


def test_the_same_configuration_is_left_alone(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is written beside what is the same."""
    create(home)
    restore(home, home / "brinewright.toml")

    assert "brinewright.toml is the one of the backup" in capsys.readouterr().out
    assert {"brinewright.toml"} == {each for each in names(home) if "toml" in each}


def test_a_configuration_can_be_replaced_also_a_wrong_one(home: Path) -> None:
    """The one that was there is put aside; the journal goes where that of the backup says."""
    create(home)
    (home / "brinewright.toml").write_text("wrong")
    assert OK == restore(home, home / "brinewright.toml", "--configuration")

    assert SECTIONS == (home / "brinewright.toml").read_text()
    (aside,) = home.glob("brinewright.toml.replaced-*")
    assert "wrong" == aside.read_text()


def test_a_configuration_that_cannot_be_written_is_said_and_done_by_the_second_run(
    home: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The journal was restored already, and is not put aside by that."""
    create(home)
    (home / "brinewright.toml").unlink()
    with monkeypatch.context() as patched:
        failing = OSError(30, "Read-only file system", str(home / "brinewright.toml"))
        patched.setattr(settings_file, "_write", lambda *_: (_ for _ in ()).throw(failing))
        assert NOT_SO == restore(home, home / "brinewright.toml")
    assert "restore the same backup again" in capsys.readouterr().err
    assert OK == restore(home, home / "brinewright.toml")

    assert SECTIONS == (home / "brinewright.toml").read_text()
    assert 1 == len([*home.glob("journal.db.replaced-*Z")])


def test_a_configuration_of_another_version_is_named(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """On a fresh machine nobody knows then where the journal belongs."""
    create(home)
    path = home.parent / "a.backup"
    data = {}
    with archive.opened(path) as found:
        manifest = found.manifest
        for name in found.manifest.members:
            data[name] = found.read(name)
    data[archive.CONFIGURATION] += b"[of-the-future]\n"
    folder = home.parent / "parts"
    folder.mkdir()
    for name, text in data.items():
        (folder / name).write_bytes(text)
    path.unlink()
    archive.pack(
        path,
        {name: folder / name for name in data},
        lambda members: replace(manifest, members=members),
        lambda _: None,
    )

    assert CONFIG == restore(home, home.parent / "fresh.toml")
    said = capsys.readouterr().err
    assert "of-the-future is not a known key" in said
    assert "the configuration in it is not one of this version" in said


def test_who_was_told_what_is_put_aside_with_the_journal(home: Path) -> None:
    """The ledger speaks of alarms of a journal that is no longer there."""
    create(home)
    notices = QueueFile(queue_path(home / "journal.db"))
    notices.write("aa", {})
    notices.close()
    restore(home, home / "brinewright.toml")

    assert not queue_path(home / "journal.db").exists()
    assert 1 == len([*home.glob("journal-notices.db.replaced-*Z")])


def test_a_service_that_runs_is_named(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is to be stopped is said."""
    create(home)
    lock = take_lock(home / "journal.db")
    code = restore(home, home / "brinewright.toml")
    os.close(lock)

    assert NOT_SO == code
    assert "a brinewright measures there; stop it, then restore" in capsys.readouterr().err


def test_another_station_s_backup_is_reported(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Perhaps it is meant; if not, everything is still there under another name."""
    create(home)
    other = SECTIONS.replace("quarantine-wing", "larvae")
    (home / "brinewright.toml").write_text(other)

    assert OK == restore(home, home / "brinewright.toml")
    said = capsys.readouterr().err
    assert "is of the station 'quarantine-wing', and the configuration is of 'larvae'" in said


def test_measured_readings_are_there_after_a_restore(home: Path) -> None:
    """The whole way: back up, measure on, restore, measure on."""
    create(home)
    with Writer(home / "journal.db") as writer:
        fill(writer, 900, 10)
    before = max(entries_of(home / "journal.db"))
    assert OK == restore(home, home / "brinewright.toml")
    with Writer(home / "journal.db") as writer:
        fill(writer, 2000, 10)

    assert Reader(home / "journal.db").last_seq() > before
    assert 46 + 1 + 11 == len(entries_of(home / "journal.db"))


def test_without_any_configuration_the_usual_place_is_meant(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A fresh machine that has not even that yet."""
    monkeypatch.setattr(verbs, "find_config", none_there)

    assert Path("/etc/brinewright/brinewright.toml") == verbs._configuration_path(None)  # noqa: SLF001


def none_there(_: Path | None) -> Path:
    """What is answered where there is no configuration."""
    raise ConfigError(["there is none"])
