"""The pages that people read, and the fenced blocks in them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
FENCE = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True, slots=True)
class Block:
    """One fenced block of a page.

    Attributes:
        page: The page, relative to the root.
        line: Where the block begins, counted from 1.
        language: The word after the fence; empty where there is none.
        text: What stands between the fences.
    """

    page: str
    line: int
    language: str
    text: str

    @property
    def lines(self) -> list[str]:
        """The lines of the block, without comments; a line that is continued is one."""
        joined = self.text.replace("\\\n", " ").splitlines()
        plain = (re.sub(r"\s+#\s.*", "", line).strip() for line in joined)
        return [line for line in plain if line and not line.startswith("#")]

    def __str__(self) -> str:
        """Where it is, as page:line."""
        return f"{self.page}:{self.line}"


def keepers() -> list[str]:
    """The guides for those who use the program."""
    return [f"deploy/guides/{path.name}" for path in _markdown("deploy/guides")]


def decisions() -> list[str]:
    """The records of decisions."""
    return [f"deploy/decisions/{path.name}" for path in _markdown("deploy/decisions")]


def pages() -> list[str]:
    """Every page that people read, relative to the root."""
    others = ("README.md", "DEVELOPERS.md", "deploy/README.md", "deploy/CHANGELOG.md")
    return [*(each for each in others if (ROOT / each).exists()), *keepers(), *decisions()]


def documents() -> list[str]:
    """Every page, and what else is written beside the code: model card, read-me files."""
    beside = (
        str(path.relative_to(ROOT))
        for room in ("daemon", "calibration", "simulators", "tests")
        for path in sorted((ROOT / room).rglob("*.md"))
    )
    return [*pages(), *beside]


def text_of(page: str) -> str:
    """What a page says."""
    return (ROOT / page).read_text(encoding="utf-8")


def blocks(page: str, language: str) -> Iterator[Block]:
    """Yield the fenced blocks of a page in one language, in order."""
    text = text_of(page)
    for match in FENCE.finditer(text):
        if match[1] == language:
            yield Block(page, text.count("\n", 0, match.start()) + 1, match[1], match[2])


def _markdown(folder: str) -> list[Path]:
    return sorted((ROOT / folder).glob("*.md"))
