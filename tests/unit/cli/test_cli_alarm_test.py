"""`brinewright alarm test`: everybody is tried, and it says who took it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.cli.main import invoke
from daemon.cli.output import CONFIG, NOT_SO, OK, UNAVAILABLE
from tests.services.notify_parts import Hook, hooked, mailing, write_urls
from tests.unit.cli.test_cli_replay import CONFIG as STATION

DEAD = "json://127.0.0.1:9/topsecret"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a configuration that names a file of receivers."""
    monkeypatch.chdir(tmp_path)
    text = STATION + '\n[notify]\nurls_file = "receivers"\n'
    (tmp_path / "brinewright.toml").write_text(text)
    return tmp_path


@pytest.fixture
def hook() -> Iterator[Hook]:
    """An HTTP server that is up."""
    with hooked() as one:
        yield one


def test_everybody_gets_one_message(
    folder: Path, hook: Hook, capsys: pytest.CaptureFixture[str]
) -> None:
    """By mail and by HTTP; it says that nothing is wrong."""
    with mailing() as box:
        write_urls(folder, box.url, f"low {hook.url}")
        assert OK == invoke(["alarm", "test"])
        (mail,) = box.mails

    assert ["quarantine-wing: a test, nothing is wrong"] == hook.titles
    assert hook.titles[0] == mail["Subject"]
    assert "Nothing is wrong; do nothing." in mail.get_content()
    assert [
        "mailto on line 1 of receivers  taken",
        "json on line 2 of receivers    taken",
    ] == capsys.readouterr().out.splitlines()


def test_who_did_not_take_it_is_reported_with_the_reason(
    folder: Path, hook: Hook, capsys: pytest.CaptureFixture[str]
) -> None:
    """1 when only some did; the address stays hidden."""
    write_urls(folder, hook.url, DEAD)
    assert NOT_SO == invoke(["alarm", "test", "--json"])
    out, err = capsys.readouterr()
    told = json.loads(out)

    assert (1, 1) == (told["taken"], told["not_taken"])
    assert [True, False] == [each["taken"] for each in told["receivers"]]
    assert told["receivers"][1]["why"].endswith(": Connection refused")
    assert "topsecret" not in out + err


def test_nobody_there_is_another_exit_code(folder: Path) -> None:
    """69: the service that is needed is not there."""
    write_urls(folder, DEAD)

    assert UNAVAILABLE == invoke(["alarm", "test"])


@pytest.mark.parametrize("lines", [["hig json://h/topsecret"], ["nosuch://topsecret"], []])
def test_a_wrong_file_is_a_fault_of_the_configuration(
    folder: Path, capfd: pytest.CaptureFixture[str], lines: list[str]
) -> None:
    """78, with a sentence that names file and line."""
    write_urls(folder, *lines)
    assert CONFIG == invoke(["alarm", "test"])

    err = capfd.readouterr().err
    assert "receivers" in err
    assert "topsecret" not in err


def test_without_the_section_nobody_can_be_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """78, and what is missing."""
    (folder / "brinewright.toml").write_text(STATION)

    assert CONFIG == invoke(["alarm", "test"])
    assert "no section [notify]" in capsys.readouterr().err
