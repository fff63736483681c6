"""The words that shells complete are those of the program."""

from __future__ import annotations

from daemon.cli import completion_tree

MAKE = "python -m daemon.cli.completion_tree"


def test_the_file_of_completion_is_made_from_the_program() -> None:
    """Every verb and option is in it, and none that is gone."""
    made = completion_tree.text(completion_tree.tree())

    assert made == completion_tree.FILE.read_text(encoding="utf-8"), f"run {MAKE}"
