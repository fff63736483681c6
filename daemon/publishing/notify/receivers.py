"""The receivers of notifications: a file of addresses, one a line, apart as they hold passwords.

A line is an address of the Apprise library, with words before it that select what it gets:
priorities (`high`, `medium`, `low`) and names of reservoirs.  Alarms of the station go to all,
whatever their reservoirs.  `#` begins a comment line.  No sentence of this module repeats an
address.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import unquote

from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.notice import AlarmNotice
from daemon.publishing.secret_files import read_private
from daemon.publishing.sink import SinkError

KEY = "notify.urls_file"
HIDDEN = "…"
SHORTEST_SECRET = 3
_SCHEME = re.compile(r"[a-z][a-z0-9+.-]{0,30}://")


@dataclass(frozen=True, slots=True)
class Receiver:
    """One line of the file.

    Attributes:
        file: The file.
        line: Number of the line, from 1.
        url: The address; a secret.
        priorities: Of the alarms that it gets.
        reservoirs: Of which it gets them; empty for all.
    """

    file: Path
    line: int
    url: str = field(repr=False)
    priorities: frozenset[Priority] = frozenset(Priority)
    reservoirs: frozenset[str] = frozenset()

    @property
    def key(self) -> str:
        """Tells it from others without giving the address away; the same in every run."""
        return hashlib.sha256(self.url.encode()).hexdigest()[:32]

    @property
    def label(self) -> str:
        """Its name in sentences."""
        return f"{self.url.partition('://')[0]} on line {self.line} of {self.file.name}"

    def accepts(self, notice: AlarmNotice) -> bool:
        """Return whether it gets notices of an alarm."""
        near = not notice.reservoir or not self.reservoirs or notice.reservoir in self.reservoirs
        return near and notice.priority in self.priorities

    def redacted(self, text: str) -> str:
        """Return a text with every piece of the address in it hidden."""
        rest = self.url.partition("://")[2]
        pieces = {*re.split(r"[/:@?&=,;#\s]+", rest), *re.split(r"[/:@?&=,;#\s]+", unquote(rest))}
        pieces |= {rest, unquote(rest)}
        for piece in sorted(pieces, key=len, reverse=True):
            if len(piece) >= SHORTEST_SECRET:
                text = text.replace(piece, HIDDEN)
        return text


def read_receivers(path: Path, reservoirs: Collection[str]) -> tuple[Receiver, ...]:
    """Return the receivers.

    Args:
        path: The file of addresses.
        reservoirs: Names of all of them.

    Raises:
        SinkError: It cannot be read, others may read it, or a line is wrong; every
            wrong line in a sentence.
    """
    lines = read_private(path, KEY, "utf-8-sig").splitlines()
    receivers: dict[str, Receiver] = {}
    faults = []
    for number, line in enumerate(lines, start=1):
        words = line.split()
        if not words or words[0].startswith("#"):
            continue
        try:
            one = _receiver(path, number, words, reservoirs)
        except SinkError as exc:
            faults.append(f"{path}, line {number} {exc}.")
            continue
        if (first := receivers.setdefault(one.key, one)) is not one:
            faults.append(
                f"{path}, line {number} has the address of line {first.line} again; make them one."
            )
    if not receivers and not faults:
        faults = [f"{KEY}: {path} names nobody; write an address into it."]
    if faults:
        raise SinkError(" ".join(faults).removesuffix("."))
    return tuple(receivers.values())


def _receiver(path: Path, number: int, words: list[str], reservoirs: Collection[str]) -> Receiver:
    places = [place for place, word in enumerate(words) if _SCHEME.match(word)]
    if not places:
        raise SinkError("holds no address such as mailtos://...")
    if len(places) > 1:
        raise SinkError("holds two addresses; give each a line of its own")
    if places[0] != len(words) - 1:
        raise SinkError(
            "goes on behind the address; words that select what it gets come before it, and a"
            " space within it is written %20"
        )
    selectors = {
        word: _selector(place, word, reservoirs) for place, word in enumerate(words[:-1], 1)
    }
    priorities = frozenset(Priority(word) for word, kind in selectors.items() if kind == "priority")
    return Receiver(
        path,
        number,
        words[-1],
        priorities or frozenset(Priority),
        frozenset(word for word, kind in selectors.items() if kind == "reservoir"),
    )


def _selector(place: int, word: str, reservoirs: Collection[str]) -> str:
    """Return what a word selects by; it is not repeated, for it may be a piece of an address."""
    if word in list(Priority):
        return "priority"
    if word in reservoirs:
        return "reservoir"
    known = [*_words(), *reservoirs]
    close = difflib.get_close_matches(word[:60], known, n=1, cutoff=0.6)
    near = f"the nearest is {close[0]}" if close else f"known are {', '.join(known)}"
    raise SinkError(f"has as word {place} neither a priority nor a reservoir; {near}")


def _words() -> Iterator[str]:
    return (str(each) for each in Priority)
