"""The receivers of notifications: a file of addresses, one a line, apart as they hold passwords.

A line is an address of the Apprise library, with words before it that select what it gets:
priorities of alarms (`high`, `medium`, `low`), kinds of messages (`released`, `due` and so on) and
names of reservoirs.  With priorities or kinds it gets what one of them selects, with neither all.
Alarms of the station go to all, whatever their reservoirs.  The word `any-hour` lifts the quiet
hours.  `#` begins a comment line.  No sentence of this module repeats an address.
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
from daemon.publishing.notify.news import MessageKind
from daemon.publishing.notify.notice import AlarmNotice
from daemon.publishing.sink import SinkError
from daemon.publishing.sink_secrets import read_private

KEY = "notify.urls_file"
ANY_HOUR = "any-hour"
"""Word of a line that is sent in quiet hours, too."""
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
        reservoirs: Of which it gets messages; empty for all.
        kinds: Of the messages that it gets, alarms of these kinds included.
        any_hour: Whether it gets them in quiet hours, too.
    """

    file: Path
    line: int
    url: str = field(repr=False)
    priorities: frozenset[Priority] = frozenset(Priority)
    reservoirs: frozenset[str] = frozenset()
    kinds: frozenset[MessageKind] = frozenset(MessageKind)
    any_hour: bool = False

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
        near = not notice.reservoir or self._near(notice.reservoir)
        return near and (notice.priority in self.priorities or notice.kind in self.kinds)

    def kinds_of(self, reservoir: str) -> frozenset[MessageKind]:
        """Return the kinds of messages that it gets of a reservoir."""
        return self.kinds if self._near(reservoir) else frozenset()

    def _near(self, reservoir: str) -> bool:
        return not self.reservoirs or reservoir in self.reservoirs

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
    chosen = {
        kind: frozenset(word for word, its in selectors.items() if its == kind)
        for kind in ("priority", "kind", "reservoir", "hour")
    }
    everything = not chosen["priority"] and not chosen["kind"]
    return Receiver(
        path,
        number,
        words[-1],
        frozenset(Priority) if everything else frozenset(map(Priority, chosen["priority"])),
        chosen["reservoir"],
        frozenset(MessageKind) if everything else frozenset(map(MessageKind, chosen["kind"])),
        any_hour=bool(chosen["hour"]),
    )


def _selector(place: int, word: str, reservoirs: Collection[str]) -> str:
    """Return what a word selects by; it is not repeated, for it may be a piece of an address."""
    if word in list(Priority):
        return "priority"
    if word in list(MessageKind):
        return "kind"
    if word == ANY_HOUR:
        return "hour"
    if word in reservoirs:
        return "reservoir"
    known = [*_words(), *reservoirs]
    close = difflib.get_close_matches(word[:60], known, n=1, cutoff=0.6)
    near = f"the nearest is {close[0]}" if close else f"known are {', '.join(known)}"
    raise SinkError(f"has as word {place} neither a priority, a kind nor a reservoir; {near}")


def _words() -> Iterator[str]:
    return (str(each) for each in (*Priority, *MessageKind, ANY_HOUR))
