"""Is a reply pattern fit to be run on whatever an instrument sends?"""

from __future__ import annotations

import re
import time
import warnings
from dataclasses import dataclass, field

LONGEST_PATTERN = 200
LONGEST_LINE = 256
"""Bytes that an instrument's line can have before it is thrown away."""

SLOWEST_S = 0.05
"""Processor time that a pattern may take to give up on one line of rubbish."""

_FIRST_TRIAL = 8
_GROWTH = 1.25
_MOST_RUBBISH = 16
MOST_CHOICES = 16
NEEDED_GROUPS = ("conductivity", "temperature")
KNOWN_GROUPS = (*NEEDED_GROUPS, "pump")


def checked_reply(pattern: str) -> str:
    """Return `pattern` when it compiles, has its groups and stays quick.

    Refused, because a line of rubbish could keep them busy for hours: a repeat
    or a choice inside a repeated group, too many repeats and choices, and
    whatever is slow when it is tried on rubbish.

    Raises:
        ValueError: Says what is wrong with the pattern.
    """
    if len(pattern) > LONGEST_PATTERN:
        msg = f"it is {len(pattern)} characters long; at most {LONGEST_PATTERN} are allowed"
        raise ValueError(msg)
    compiled = _compiled(pattern)
    if compiled.flags & re.VERBOSE or "(?#" in pattern:
        msg = "it holds comments or the flag x, which are not taken here"
        raise ValueError(msg)
    _check_groups(compiled)
    shape = _shape(pattern)
    if shape.nested:
        msg = "it repeats a group that itself holds a repeat or a choice, which can take for ever"
        raise ValueError(msg)
    if shape.choices > MOST_CHOICES:
        msg = f"it has {shape.choices} repeats and choices; at most {MOST_CHOICES} are allowed"
        raise ValueError(msg)
    _check_quick(pattern, compiled)
    return pattern


def _check_quick(pattern: str, compiled: re.Pattern[str]) -> None:
    """Try ever longer lines of rubbish, so that a slow pattern shows before it takes for ever."""
    literals = [sign for sign in dict.fromkeys(pattern) if sign not in "()?P<>\\|^$"]
    for rubbish in ["0,", *dict.fromkeys(["0", ",", " ", *literals])][:_MOST_RUBBISH]:
        length = _FIRST_TRIAL
        while length <= LONGEST_LINE:
            begun_s = time.thread_time()
            compiled.search((rubbish * length)[:length] + "\0")
            if time.thread_time() - begun_s > SLOWEST_S:
                msg = f"it takes too long to give up on a line of {length} times {rubbish!r}"
                raise ValueError(msg)
            length = int(length * _GROWTH)


def _compiled(pattern: str) -> re.Pattern[str]:
    try:
        with warnings.catch_warnings():
            # What another version of Python may read differently is no pattern to rely on.
            warnings.simplefilter("error")
            return re.compile(pattern)
    except (re.error, OverflowError, RecursionError, Warning) as exc:
        msg = f"it is not a regular expression: {exc}"
        raise ValueError(msg) from exc


def _check_groups(compiled: re.Pattern[str]) -> None:
    lacking = [group for group in NEEDED_GROUPS if group not in compiled.groupindex]
    if lacking:
        forms = " and ".join(f"(?P<{group}>...)" for group in lacking)
        msg = f"it lacks the named group {forms}"
        raise ValueError(msg)
    strange = [group for group in compiled.groupindex if group not in KNOWN_GROUPS]
    if strange:
        msg = f"it names the group {strange[0]}; known groups are {', '.join(KNOWN_GROUPS)}"
        raise ValueError(msg)


@dataclass(slots=True)
class _Shape:
    choices: int = 0
    nested: bool = False
    varies: list[bool] = field(default_factory=lambda: [False])


_TOKEN = re.compile(
    r"""(?P<literal>\\.|\[\^?\]?(?:\\.|[^\]\\])*\])
      | (?P<opening>\((?:\?(?:P<\w+>|[:=!>]|<[=!]|[aiLmsux-]*:)?)?)
      | (?P<closing>\))
      | (?P<repeat>[*+]|\?|\{(?=[\d,])(?P<low>\d*)(?:,(?P<high>\d*))?\})
      | (?P<other>.)""",
    re.VERBOSE | re.DOTALL,
)


def _shape(pattern: str) -> _Shape:
    """Walk a pattern that compiles and note what can match in many ways."""
    shape = _Shape()
    varied = False
    for token in _TOKEN.finditer(pattern):
        after_varied_group, varied = varied, False
        if token.lastgroup == "opening":
            shape.varies.append(False)
        elif token.lastgroup == "closing":
            varied = shape.varies.pop()
            shape.varies[-1] |= varied
        elif token["repeat"]:
            shape.nested |= after_varied_group and _repeats_often(token)
            shape.choices += 1
            shape.varies[-1] = True
        elif token[0] == "|":
            shape.choices += 1
            shape.varies[-1] = True
    return shape


def _is_open(token: re.Match[str]) -> bool:
    return token["repeat"] in "*+" or token["high"] == ""


def _repeats_often(token: re.Match[str]) -> bool:
    if token["repeat"] == "?":
        return False
    return _is_open(token) or int(token["high"] or token["low"]) > 1
