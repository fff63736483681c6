"""`brinewright replay`: files of every kind, what is skipped of them, and what is refused."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from daemon.cli.main import invoke
from tests.parts.stories import mixed
from tests.unit.cli.test_cli_replay import HEADER, environment, events, folder, recording

__all__ = ["folder"]


def test_bad_rows_are_named_counted_and_skipped(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """They go to standard error with their line numbers; the rest is played; the exit is 0."""
    story = mixed(minutes=40)
    text = recording(story).splitlines(keepends=True)
    text[4] = "yesterday,1,2\n"
    text[9] = "2026-03-02T08:00:40Z,wet,24\n"
    (folder / "bad.csv").write_text("".join(text))

    assert 0 == invoke(["replay", "bad.csv", "--json"])
    said = capsys.readouterr()
    example = "such as 2026-03-02T08:00:00Z"
    assert [
        f"brinewright: bad.csv, line 5: time 'yesterday' is not ISO 8601, {example}; skipped.",
        "brinewright: bad.csv, line 10: conductivity_mS_cm 'wet' is not a number; skipped.",
        "brinewright: bad.csv: 2 rows skipped.",
    ] == said.err.splitlines()
    assert "ready" == [each["to"] for each in events(said.out) if each["kind"] == "phase"][-1]


def test_a_file_full_of_bad_rows_does_not_fill_the_screen(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Twenty are shown, all are counted; nothing usable is exit 1 with a sentence."""
    (folder / "bad.csv").write_text(HEADER + "?,1,2\n" * 5000)

    assert 1 == invoke(["replay", "bad.csv"])
    lines = capsys.readouterr().err.splitlines()
    assert 23 == len(lines)
    assert [
        "brinewright: bad.csv: 5000 rows skipped.",
        "brinewright: bad.csv: no row could be used; correct what is named above and try again.",
    ] == lines[-2:]


@pytest.mark.parametrize(
    "make, said",
    [
        (Path.mkdir, "cannot be read: Is a directory"),
        (Path.exists, "cannot be read: No such file or directory"),
        (lambda path: path.write_bytes(b""), "the first line is empty; it must name the columns"),
        (lambda path: path.write_bytes(os.urandom(100_000)), "first line"),
        (lambda path: path.write_bytes(bytes(range(256)) * 100), "it is no text"),
        (lambda path: path.write_bytes(b"x" * 3_000_000), "the first line must name the columns"),
        (lambda path: path.write_bytes(b"PK\x03\x04" * 20), "a spreadsheet or an archive"),
        (lambda path: path.write_text(in_reverse()), "go back in time from the first on; sort"),
        (lambda path: path.write_text("a,b,c\n1,2,3\n"), "time, conductivity_mS_cm"),
        (lambda path: path.symlink_to("/proc/self/mem"), "cannot be read"),
    ],
    ids=[
        "folder",
        "missing",
        "empty",
        "random",
        "binary",
        "long",
        "sheet",
        "reverse",
        "other",
        "unreadable",
    ],
)
def test_what_is_no_recording_is_one_sentence(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    make: Any,  # noqa: ANN401 - each case makes a file in its own way
    said: str,
) -> None:
    """Exit 2, no traceback, and no journal is left behind."""
    make(folder / "given.csv")

    assert 2 == invoke(["replay", "given.csv", "--journal", "kept.db"])
    out, err = capsys.readouterr()
    assert ("", 1) == (out, len(err.splitlines()))
    assert err.startswith("brinewright: given.csv: ")
    assert said in err
    assert not (folder / "kept.db").exists()


@pytest.mark.parametrize(
    "text, said",
    [
        (HEADER, "it has a header and no rows, so there is nothing to replay"),
        (HEADER + "2026-03-02T08:00:00Z,,\n", "no row has both values, so there was nothing to"),
    ],
)
def test_a_recording_without_a_value_is_said(
    folder: Path, capsys: pytest.CaptureFixture[str], text: str, said: str
) -> None:
    """Exit 1: what was to be replayed is not there."""
    (folder / "none.csv").write_text(text)

    assert 1 == invoke(["replay", "none.csv", "--json"])
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"brinewright: none.csv: {said}")


def test_what_was_made_of_a_recording_is_said_once(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Times without a zone and other units are read, with a sentence each on standard error."""
    text = recording(mixed(minutes=40)).replace("+00:00", "")
    (folder / "local.csv").write_text(text.replace("conductivity_mS_cm", "conductivity_S_m"))

    assert 0 == invoke(["replay", "local.csv", "--json"])
    assert [
        "brinewright: local.csv: conductivity_S_m is read as S/m, times 10 for mS/cm.",
        "brinewright: local.csv: its times name no zone (first in line 2) and are taken as UTC.",
    ] == capsys.readouterr().err.splitlines()


def test_times_that_go_back_are_named_and_counted(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A single row out of order is skipped, and the batch is released all the same."""
    text = recording(mixed(minutes=40)).splitlines(keepends=True)
    text.insert(500, text[400])
    (folder / "back.csv").write_text("".join(text))

    assert 0 == invoke(["replay", "back.csv", "--json"])
    said = capsys.readouterr()
    assert [
        "brinewright: back.csv, line 501: its time is 495 s before that of line 500; skipped.",
        "brinewright: back.csv: 1 row skipped.",
    ] == said.err.splitlines()
    assert "ready" == [each["to"] for each in events(said.out) if each["kind"] == "phase"][-1]


def in_reverse() -> str:
    """A good batch from its last row to its first."""
    header, *rows = recording(mixed(minutes=40)).splitlines(keepends=True)
    return header + "".join(reversed(rows))


def test_a_line_of_any_length_takes_no_memory(folder: Path) -> None:
    """A file that is one long line between two rows is replayed within a few megabytes."""
    good = "2026-03-02T08:00:{:02d}Z,42,15\n"
    with (folder / "long.csv").open("w") as file:
        file.write(HEADER + good.format(1))
        for _ in range(300):
            file.write("9" * 1_000_000)
        file.write("\n" + good.format(5))
    code = (
        "import resource, sys; from daemon.cli.main import invoke;"
        "invoke(['replay', '--help']);"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss;"
        "code = invoke(['replay', 'long.csv']);"
        "grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before;"
        "print(code, grown < 60_000)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment(), capture_output=True, text=True, check=True, cwd=folder,
    )  # fmt: skip

    assert "0 True" == done.stdout.splitlines()[-1]
    assert "long.csv, line 3: is longer than 65536 characters; skipped." in done.stderr
