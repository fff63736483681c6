"""Files of secrets: the service's alone, or handed over by the service manager."""

from __future__ import annotations

import os
import shutil
import struct
from pathlib import Path

import pytest

from daemon.config import Config, load
from daemon.secret_files import SecretError, read_secret
from tests.parts.accounts import (
    KEEPER,
    ROOT,
    SERVICE,
    Account,
    give,
    needs_root,
    open_folder,
    run_as,
)
from tests.parts.configurations import configuration

KEY = "mqtt.password_file"
CONFIG = configuration("""
[journal]
path = "journal.db"
[mqtt]
host = "127.0.0.1"
port = 8883
tls = true
username = "brinewright"
password_file = "mqtt-password"
cert_file = "station.pem"
key_file = "station.key"
[influx]
url = "http://127.0.0.1:9"
org = "wing"
bucket = "mixing"
token_file = "influx-token"
[notify]
urls_file = "receivers"
[heartbeat]
url_file = "heartbeat-url"
""")
NAMES = (
    "mqtt-password", "station.pem", "station.key", "influx-token", "receivers", "heartbeat-url",
)  # fmt: skip


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    """A file of a secret, as it should be."""
    path = tmp_path / "mqtt-password"
    path.write_text("wort\n")
    path.chmod(0o600)
    return path


def fault(path: Path) -> str:
    """What is said of a file; empty where it is taken."""
    try:
        assert read_secret(path, KEY) == "wort"
    except SecretError as exc:
        return str(exc)
    return ""


@pytest.mark.parametrize(
    "mode, word",
    [
        (0o600, ""),
        (0o400, ""),
        (0o640, "read"),
        (0o604, "read"),
        (0o644, "read"),
        (0o440, "read"),
        (0o610, "read"),
        (0o620, "change"),
        (0o602, "change"),
        (0o660, "change"),
        (0o777, "change"),
    ],
)
def test_a_file_that_others_may_use_is_refused(secret: Path, mode: int, word: str) -> None:
    """Whatever group it has, for reading and for writing, with what to do."""
    secret.chmod(mode)
    said = fault(secret)

    assert word in said
    assert bool(word) is said.startswith(f"{KEY}: others than its owner may ")
    assert bool(word) is (f"'chmod 600 {secret}'" in said)
    assert "wort" not in said


def test_a_list_of_rights_counts_as_the_rights_of_a_group(secret: Path) -> None:
    """By such a list another account may read it, though its mode gave that to nobody."""
    try:
        os.setxattr(secret, "system.posix_acl_access", _readable_by(KEEPER))
    except OSError as exc:
        pytest.skip(f"this file system keeps no lists of rights: {exc.strerror}")

    assert "others than its owner may read" in fault(secret)


def _readable_by(account: Account) -> bytes:
    """A list of rights as the kernel takes it: uapi/linux/posix_acl_xattr.h."""
    nobody = 0xFFFF_FFFF
    user_obj, user, group_obj, mask, other = 0x01, 0x02, 0x04, 0x10, 0x20
    entries = [
        (user_obj, 6, nobody),
        (user, 4, account.uid),
        (group_obj, 0, nobody),
        (mask, 4, nobody),
        (other, 0, nobody),
    ]
    return struct.pack("<I", 2) + b"".join(struct.pack("<HHI", *each) for each in entries)


def test_a_link_is_followed_and_its_target_judged(secret: Path, tmp_path: Path) -> None:
    """A link itself is open to all, and one into the open is refused."""
    link = tmp_path / "link"
    link.symlink_to(secret)
    assert "" == fault(link)
    secret.chmod(0o640)
    assert "others than its owner may read" in fault(link)
    secret.unlink()
    assert "cannot be read: No such file" in fault(link)
    link.unlink()
    link.symlink_to(link)

    assert "cannot be read: Too many levels" in fault(link)


def test_what_is_no_file_is_refused_and_waits_for_nothing(tmp_path: Path) -> None:
    """A folder, and a pipe into which nobody writes."""
    os.mkfifo(tmp_path / "pipe", 0o600)

    for path in (tmp_path, tmp_path / "pipe"):
        assert f"{KEY}: {path} is not a file; name the file" in fault(path)


def test_a_file_that_is_no_text_is_refused(secret: Path) -> None:
    """Without showing any of it."""
    secret.write_bytes(b"\xffwort")

    assert f"{KEY}: {secret} cannot be read: it is not UTF-8 text" == fault(secret)


@needs_root
@pytest.mark.parametrize(
    "owner, mode, said",
    [
        (SERVICE, 0o600, ""),
        (SERVICE, 0o640, "others than its owner may read"),
        (KEEPER, 0o600, "cannot be read: Permission denied; it must belong to the user of the"),
        (KEEPER, 0o640, "belongs to backup, who may read and change it; take it over with 'chown"),
        (ROOT, 0o600, "cannot be read: Permission denied; it must belong to the user of the"),
        (ROOT, 0o640, "others than its owner may read"),
    ],
)
def test_a_file_of_another_account_is_refused(owner: Account, mode: int, said: str) -> None:
    """To the service, which is in the group of the keepers, whoever of them it belongs to."""
    with open_folder() as folder:
        path = folder / "mqtt-password"
        path.write_text("wort\n")
        give(path, owner, mode)
        found = run_as(SERVICE, lambda: fault(path))

    assert said in found
    assert bool(said) is bool(found)


@needs_root
def test_root_takes_what_is_the_service_s(secret: Path) -> None:
    """Whoever the service is: root sends test messages with its secrets."""
    give(secret, SERVICE, 0o600)
    assert "" == fault(secret)
    secret.chmod(0o640)

    assert "others than its owner may read" in fault(secret)


def paths(config: Config) -> list[Path]:
    """Each secret that a configuration names."""
    assert config.mqtt is not None
    assert config.influx is not None
    assert config.notify is not None
    assert config.heartbeat is not None
    found = [
        config.mqtt.password_file,
        config.mqtt.cert_file,
        config.mqtt.key_file,
        config.influx.token_file,
        config.notify.urls_file,
        config.heartbeat.url_file,
    ]
    return [each for each in found if each is not None]


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration that names every secret there is."""
    path = tmp_path / "brinewright.toml"
    path.write_text(CONFIG)
    return path


@pytest.fixture
def handed_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of what the service manager handed over."""
    folder = tmp_path / "credentials"
    folder.mkdir()
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(folder))
    return folder


@pytest.mark.parametrize("name", NAMES)
def test_each_secret_may_be_handed_over(config: Path, handed_over: Path, name: str) -> None:
    """Then it counts, and not the file of the same name beside the configuration."""
    (config.parent / name).write_text("old")
    beside = paths(load(config))
    (handed_over / name).write_text("wort")
    found = paths(load(config))

    assert [config.parent / each for each in NAMES] == beside
    assert [(handed_over if each == name else config.parent) / each for each in NAMES] == found


@pytest.mark.parametrize("mode", [0o400, 0o440, 0o444])
def test_the_mode_of_what_is_handed_over_is_the_service_manager_s_matter(
    config: Path, handed_over: Path, mode: int
) -> None:
    """A list of rights looks like those of a group there; elsewhere it is refused."""
    path = handed_over / "mqtt-password"
    path.write_text("wort\n")
    path.chmod(mode)
    shutil.copy(path, config.parent / "mqtt-password")
    (found, *_) = paths(load(config))

    assert "" == fault(found)
    assert bool(mode & 0o077) is bool(fault(config.parent / "mqtt-password"))


def test_a_file_that_only_looks_handed_over_is_judged(
    secret: Path, handed_over: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One reached through the folder, below it, or after the service manager said nothing."""
    secret.chmod(0o640)
    (handed_over / "below").mkdir()
    shutil.copy(secret, handed_over / "below" / "mqtt-password")
    shutil.copy(secret, handed_over / "mqtt-password")

    for path in (
        handed_over / ".." / "mqtt-password",
        handed_over / "below" / "mqtt-password",
    ):
        assert "others than its owner may read" in fault(path)
    assert "" == fault(handed_over / "mqtt-password")
    for said in ("", "credentials", "."):
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", said)
        assert "others than its owner may read" in fault(handed_over / "mqtt-password")


@pytest.mark.parametrize("given", ["sub/mqtt-password", "../mqtt-password", "..", ".", "x" * 300])
def test_only_a_name_alone_is_that_of_a_credential(
    config: Path, handed_over: Path, given: str
) -> None:
    """Everything else is beside the configuration, as ever."""
    (handed_over / "sub").mkdir()
    (handed_over / "sub" / "mqtt-password").write_text("wort")
    config.write_text(CONFIG.replace('"mqtt-password"', f'"{given}"'))

    assert config.parent / given == paths(load(config))[0]


def test_a_folder_of_credentials_that_is_not_there_changes_nothing(
    config: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor one that is named in part, or nobody's."""
    for said in ("/nowhere/at/all", "credentials", "", "/\x01"):
        monkeypatch.setenv("CREDENTIALS_DIRECTORY", said)
        assert config.parent / "mqtt-password" == paths(load(config))[0]


@needs_root
def test_a_keeper_checks_the_configuration_without_reading_a_secret() -> None:
    """Neither one beside it nor one that was handed over to the service."""
    with open_folder() as folder:
        path = folder / "brinewright.toml"
        path.write_text(CONFIG)
        give(path, ROOT, 0o640)
        (folder / "credentials").mkdir()
        for name in NAMES:
            for secret in (folder / name, folder / "credentials" / name):
                secret.write_text("wort")
                give(secret, SERVICE, 0o600)
        give(folder / "credentials", SERVICE, 0o500)

        def read() -> list[str]:
            os.environ["CREDENTIALS_DIRECTORY"] = str(folder / "credentials")
            found = paths(load(path))
            return [str(each) for each in found] + [fault(each) for each in found]

        found = run_as(KEEPER, read)

    assert [str(folder / name) for name in NAMES] == found[: len(NAMES)]
    assert [True] * len(NAMES) == ["Permission denied" in said for said in found[len(NAMES) :]]
