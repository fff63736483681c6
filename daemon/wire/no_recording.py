"""The one error of a file that cannot be read as a recording."""

from __future__ import annotations

from daemon.errors import InputError


class NoRecording(InputError):  # noqa: N818 - read as a sentence
    """The file is not a recording; the text says what was found and what is needed."""
