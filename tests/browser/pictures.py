"""Make the pictures of the README: the page and one batch's curve, of the running program.

    python -m tests.browser.pictures [--out FOLDER] [--story NAME] [--speed N]

Plays the demo's batch on a serial line of its own, runs the real service on it until the batch
is released, and looks at its page with a headless Chromium (`apt install chromium`), by light and
by dark, which takes about a minute.  Exit 0 done, 69 something that it needs is not there.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

from tests.browser.windows import THEMES, Windows, chromium, find_chromium
from tests.docs.guides import ROOT

PICTURES = ROOT / "deploy" / "guides" / "pictures"
WINDOW = (1280, 740)
"""Size of the browser's window, pixels: it fits beside text, and the figures stay large."""
GAP = 8.0
"""Between two curves, in the units of their drawings."""
LONGEST_WAIT_S = 30.0
BATCH_MIN = 240
"""Longest time that the batch may take, minutes of its own time."""


class MissingError(Exception):
    """Something that the pictures need is not there."""


def main(words: Sequence[str] | None = None) -> int:
    """Make all pictures; return the exit code."""
    parser = argparse.ArgumentParser(prog="tests.browser.pictures", description=__doc__)
    parser.add_argument("--out", type=Path, default=PICTURES)
    parser.add_argument("--story", default="plain-batch")
    parser.add_argument("--speed", type=int, default=60)
    given = parser.parse_args(words)
    given.out.mkdir(parents=True, exist_ok=True)
    try:
        with tempfile.TemporaryDirectory() as folder:
            make(Path(folder), given.out, given.story, given.speed)
    except MissingError as exc:
        sys.stderr.write(f"pictures: {exc}\n")
        return 69
    return 0


def make(folder: Path, out: Path, story: str, speed: int) -> None:
    """Play a batch in `folder` and write the page's pictures and curve.svg to `out`.

    Raises:
        MissingError: There is no browser, or something went wrong.
    """
    if find_chromium() is None:
        raise MissingError("no Chromium is here; install it with 'sudo apt install chromium'")
    listen = f"127.0.0.1:{free_port()}"
    config = configure(folder, listen, speed)
    play = ["-m", "simulators", "play", story, "--link", str(folder / "port"), "--wait"]
    with running([*play, "--speed", str(speed), "--seed", "1"], folder / "reservoir.log"):
        wait_for(folder / "port")
        with running(brinewright("run", config), folder / "service.log"):
            call(
                brinewright(
                    "status", config, "--watch", "--until-ready", "--within", str(BATCH_MIN)
                )
            )
            photograph(f"http://{listen}/", out)
            listed = call(brinewright("batch list", config, "--json"))
            (batch, *_) = re.findall(r'"(mix-1-[\d-]+)"', listed)
            call(brinewright("batch sheet", config, batch, "--out", str(folder / "sheet.html")))
    sheet = (folder / "sheet.html").read_text(encoding="utf-8")
    (out / "curve.svg").write_text(curve_of(sheet), encoding="utf-8")


def configure(folder: Path, listen: str, speed: int) -> Path:
    """Write the rehearsal's configuration, with a page of its own; return the file."""
    text = (ROOT / "deploy" / "rehearsal.toml").read_text(encoding="utf-8")
    values = {
        "SPEED": str(speed),
        "SINCE": f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "PORT": str(folder / "port"),
        "JOURNAL": str(folder / "journal.db"),
    }
    for name, value in values.items():
        text = text.replace(f"@{name}@", value)
    path = folder / "brinewright.toml"
    path.write_text(f'{text}\n[page]\nlisten = "{listen}"\n', encoding="utf-8")
    return path


def brinewright(verb: str, config: Path, *more: str) -> list[str]:
    """The words of one command of ours, after `python`."""
    return ["-m", "daemon.cli.main", *verb.split(), *more, "--config", str(config)]


def curve_of(sheet: str) -> str:
    """The curves of a batch sheet as one drawing that stands alone, side by side on white.

    Raises:
        MissingError: The sheet holds none.
    """
    drawings = drawings_of(sheet)
    if not drawings:
        raise MissingError("the batch sheet holds no curve")
    x, height, placed = 0.0, 0.0, []
    for drawing in drawings:
        box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawing)
        if box is None:
            raise MissingError("a curve of the batch sheet has no size")
        size = f'x="{x:g}" width="{box[1]}" height="{box[2]}"'
        placed.append(drawing.replace("<svg", f"<svg {size}", 1))
        x, height = x + float(box[1]) + GAP, max(height, float(box[2]))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {x - GAP:g} {height:g}"'
        f' style="background:#fff">\n<style>{style_of(sheet)}</style>\n'
        + "\n".join(placed)
        + "\n</svg>\n"
    )


def drawings_of(sheet: str) -> list[str]:
    """The outermost drawings of a page, in order."""
    found, depth, begin = [], 0, 0
    for tag in re.finditer(r"<svg|</svg>", sheet):
        if tag[0] == "<svg":
            begin = begin if depth else tag.start()
            depth += 1
        else:
            depth -= 1
            if depth == 0:
                found.append(sheet[begin : tag.end()])
    return found


def style_of(sheet: str) -> str:
    """What a page's stylesheet says of colours and charts, for light paper."""
    rules = re.findall(r"^(?::root|\.chart)[^{}]*\{[^{}]*\}", sheet, re.MULTILINE)
    return "\n".join(rules)


def photograph(address: str, out: Path) -> None:
    """Let the browser show a page and write what it looks like by light and by dark.

    Raises:
        MissingError: Something went wrong in the page.
    """
    with chromium() as browser:
        windows = Windows(browser)
        page = windows.open(address, WINDOW)
        page.wait_for_selector("html[data-live=live]", state="attached")
        for theme in THEMES:
            page.emulate_media(color_scheme=theme)
            (out / f"now-{theme}.png").write_bytes(page.screenshot())
        windows.close()
    if windows.faults:
        raise MissingError(f"the page has a fault: {'; '.join(windows.faults)}")


@contextlib.contextmanager
def running(words: list[str], log: Path) -> Iterator[None]:
    """Run a module of ours while the block lasts."""
    with log.open("w") as out, subprocess.Popen(
        [sys.executable, *words], cwd=ROOT, stdout=out, stderr=out
    ) as process:  # fmt: skip
        try:
            yield
        finally:
            process.terminate()
            process.wait()


def call(words: list[str]) -> str:
    """Run a module of ours to its end and return what it printed."""
    return call_program(sys.executable, *words)


def call_program(*words: str) -> str:
    """Run a program to its end and return what it printed.

    Raises:
        MissingError: It failed; the sentence holds the end of what it said.
    """
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        said = (done.stderr or done.stdout).strip().splitlines()[-3:]
        raise MissingError(
            f"{' '.join(words[:6])} ended with {done.returncode}: {' / '.join(said)}"
        )
    return done.stdout


def wait_for(path: Path) -> None:
    """Wait until a file is there.

    Raises:
        MissingError: It is not there in time.
    """
    deadline = time.monotonic() + LONGEST_WAIT_S
    while not path.is_symlink() and not path.exists():
        if time.monotonic() > deadline:
            raise MissingError(f"{path.name} did not come within {LONGEST_WAIT_S:g} s")
        time.sleep(0.05)


def free_port() -> int:
    """A TCP port of this machine that nobody uses."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


if __name__ == "__main__":
    raise SystemExit(main())
