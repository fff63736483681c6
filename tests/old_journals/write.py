"""Writes a stored old journal again: the code of its time runs, and its journal is dumped.

    python -m tests.old_journals.write 4

needs the whole history of the repository.  The version that is named in `VERSIONS` is checked out
elsewhere, its own simulator plays a batch on a real line, its own service measures it, takes a
command, and ends.  `schema-N.sql.gz` is the journal as SQL, `schema-N.json` what that version's
own reader says is in it (`contents`).  The tests read both and never run old code.

For a new schema add the last commit before it, run this for that number, and keep both files.
"""

from __future__ import annotations

import argparse
import gzip
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
VERSIONS = {
    1: "dfd3757",
    2: "23bee75",
    3: "78195ca",
    4: "297aaf4",
    5: "25e1584",
    6: "bbae4ff",
    7: "8f6de92",
    8: "61e08c5",
}
"""The last commit that wrote each schema; of the newest, one that does."""
FIRST_WITH_SERVICE = 2
FIRST_WITH_SUMMARIES = 4
SPEED = 100
PERIOD_S = 20
PATIENCE_S = 240.0
SUMMARISE = """
import sys
from pathlib import Path
from daemon.journal.retention import OLDEST, summarise
from daemon.journal.writer import Writer
with Writer(Path(sys.argv[1])) as writer:
    writer.within(lambda db: summarise(db, db.execute(OLDEST, (40, 30)).fetchall()))
"""
"""The oldest readings become minute summaries, as they do after ninety days."""


@contextmanager
def checked_out(commit: str, folder: Path) -> Iterator[Path]:
    """Give the code of a commit."""
    place = folder / "code"
    git = ("git", "-C", str(ROOT), "worktree")
    subprocess.run([*git, "add", "--detach", "--quiet", str(place), commit], check=True)
    try:
        yield place
    finally:
        subprocess.run([*git, "remove", "--force", str(place)], check=True)


def run(code: Path, words: Sequence[str | Path]) -> str:
    """Run Python on some old code, and return what it writes."""
    done = subprocess.run(
        [sys.executable, *map(str, words)],
        cwd=code,
        env={**os.environ, "PYTHONPATH": str(code)},
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    return done.stdout


@contextmanager
def running(code: Path, *words: str | Path) -> Iterator[subprocess.Popen[bytes]]:
    """Run a module of some old code until the block ends, and end it as it is told to end."""
    process = subprocess.Popen(
        [sys.executable, "-m", *map(str, words)],
        cwd=code,
        env={**os.environ, "PYTHONPATH": str(code)},
    )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30.0)


def wait(condition: str, journal: Path) -> None:
    """Wait until a question to the journal has an answer."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        if journal.exists():
            with closing(sqlite3.connect(f"file:{journal}?mode=ro", uri=True)) as db:
                try:
                    if db.execute(condition).fetchone():
                        return
                except sqlite3.Error:
                    pass
        time.sleep(0.2)
    raise SystemExit(f"waited in vain for {condition}")


def play(code: Path, folder: Path) -> Path:
    """Let the old service measure one batch of the old simulator; return its journal."""
    journal, port, config = (folder / name for name in ("journal.db", "port", "old.toml"))
    text = (code / "deploy" / "rehearsal.toml").read_text()
    for name, value in {
        "SPEED": SPEED,
        "SINCE": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "PORT": port,
        "JOURNAL": journal,
    }.items():
        text = text.replace(f"@{name}@", str(value))
    text = text.replace("period_s = 5", f"period_s = {PERIOD_S}")
    text = text.replace("timeout_s = 5 ", f"timeout_s = {PERIOD_S / 2:g} ")
    config.write_text(text)
    line = ("simulators", "play", "plain-batch", "--link", port, "--wait")
    with running(code, *line, "--speed", str(SPEED), "--seed", "7"):
        while not port.is_symlink():
            time.sleep(0.05)
        with running(code, "daemon.measure", "--config", config):
            wait("SELECT 1 FROM events WHERE facts LIKE '%\"dissolving\"%'", journal)
            note = ("batch", "note", "a word of the keeper", "--config", config)
            run(code, ["-m", "daemon.cli.main", *note])
            lot = ("lot", "add", "blue-7", "--config", config)
            run(code, ["-m", "daemon.cli.main", *lot])
            wait('SELECT 1 FROM events WHERE facts LIKE \'%"to":"ready"%\'', journal)
    return journal


def write(schema: int) -> None:
    """Write both files of a schema."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        with checked_out(VERSIONS[schema], folder) as code:
            if schema < FIRST_WITH_SERVICE:
                journal, recording = folder / "journal.db", folder / "recording.csv"
                words = ("simulators", "record", "plain-batch", "--seed", "7", "--out")
                run(code, ["-m", *words, recording])
                run(code, [HERE / "first.py", journal, recording])
            else:
                journal = play(code, folder)
            if schema >= FIRST_WITH_SUMMARIES:
                run(code, ["-c", SUMMARISE, journal])
            (HERE / f"schema-{schema}.json").write_text(run(code, [HERE / "contents.py", journal]))
        with closing(sqlite3.connect(journal)) as db:
            found = db.execute("PRAGMA user_version").fetchone()
            text = "\n".join([*db.iterdump(), f"PRAGMA user_version = {schema};", ""])
    if found != (schema,):
        raise SystemExit(f"{VERSIONS[schema]} wrote schema {found}")
    (HERE / f"schema-{schema}.sql.gz").write_bytes(gzip.compress(text.encode(), mtime=0))


def main() -> None:
    """Write those that are named."""
    parser = argparse.ArgumentParser(prog="python -m tests.old_journals.write")
    parser.add_argument("schema", type=int, nargs="+", choices=VERSIONS)
    for schema in parser.parse_args().schema:
        write(schema)


if __name__ == "__main__":
    main()
