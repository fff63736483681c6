"""What the system refuses in the middle of a verb ends it with one sentence, no traceback."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.cli.main import invoke, main
from daemon.cli.output import UNAVAILABLE
from tests.parts.accounts import GROUP, SERVICE, STRANGER, give, needs_root, open_folder, run_as
from tests.parts.every_verb import run_here
from tests.services.service_parts import ROOT
from tests.unit.cli.test_cli_replay import CONFIG

SALINITY = ["salinity", "--conductivity", "42.914", "--temperature", "15"]


@pytest.mark.parametrize(
    "refusal, said",
    [
        (PermissionError(13, "Permission denied", "/tmp/such"), "/tmp/such: Permission"),
        (OSError(5, "Input/output error", b"/dev/sda"), "/dev/sda: Input/output error."),
        (OSError(28, "No space left on device"), "No space left on device."),
        (TimeoutError("it took too long"), "it took too long."),
    ],
)
def test_a_refusal_that_nobody_foresaw_is_one_sentence(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    refusal: OSError,
    said: str,
) -> None:
    """69, with the file where the system names one."""

    def refuse(_: object) -> None:
        raise refusal

    (tmp_path / "brinewright.toml").write_text(CONFIG)
    monkeypatch.setattr("daemon.cli.status.journal_of", refuse)
    assert UNAVAILABLE == invoke(["status", "--config", str(tmp_path / "brinewright.toml")])
    out, err = capsys.readouterr()

    assert ("", 1) == (out, len(err.splitlines()))
    assert err.startswith(f"brinewright: {said}")


@needs_root
def test_a_file_that_became_barred_meanwhile_names_the_group(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As when a person changes the mode of a folder while a verb reads it."""
    with open_folder() as folder:
        (folder / "lib").mkdir()
        give(folder / "lib", SERVICE, 0o750)
        (folder / "brinewright.toml").write_text(CONFIG)
        (folder / "brinewright.toml").chmod(0o644)
        words = ["status", "--config", str(folder / "brinewright.toml")]
        monkeypatch.setattr(
            "daemon.cli.status.journal_of", lambda _: (folder / "lib" / "journal.db").read_bytes()
        )
        invoke(words)  # loads what may lie where only root may read

        def work() -> list[object]:
            each = run_here(words)
            return [each.code, each.err]

        code, err = run_as(STRANGER, work)

    assert UNAVAILABLE == code
    assert f"{folder}/lib may be entered by the group {GROUP} alone, and you (nobody) are" in err


class FullDisk(io.StringIO):
    """Where nothing can be written, and what was kept back cannot be written later either."""

    def __init__(self, number: int) -> None:
        """Take the number of an open file that may be changed."""
        super().__init__()
        self._number = number

    def write(self, text: str) -> int:
        """Refuse."""
        raise OSError(28, "No space left on device")

    def flush(self) -> None:
        """Refuse again."""
        raise OSError(28, "No space left on device")

    def fileno(self) -> int:
        """Of the open file."""
        return self._number


def test_output_that_fails_twice_is_reported_once(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Python 3.13.5 fails again at the end with what a verb could not print."""
    monkeypatch.setattr(sys, "argv", ["brinewright", *SALINITY])
    with Path(os.devnull).open("w") as nowhere:
        monkeypatch.setattr(sys, "stdout", FullDisk(nowhere.fileno()))
        with pytest.raises(SystemExit) as ended:
            main()

    assert UNAVAILABLE == ended.value.code
    assert "brinewright: No space left on device.\n" == capsys.readouterr().err


def test_output_that_cannot_be_written_is_one_sentence() -> None:
    """A disk that is full: nothing was printed, and the exit code says so."""
    with Path("/dev/full").open("w") as full:
        found = subprocess.run(
            [sys.executable, "-m", "daemon.cli.main", *SALINITY],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            check=False,
        )

    assert (UNAVAILABLE, "brinewright: No space left on device.\n") == (
        found.returncode,
        found.stderr,
    )
