"""Lines of a report, some of which are checked against a limit."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Report:
    """What one part of the audit came to.

    Attributes:
        lines: For a person.
        failures: Names of the limits that were not kept.
    """

    lines: list[str] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)

    def add(self, name: str, figure: str) -> None:
        """Add a figure that no limit is set for."""
        self.lines.append(f"  {name:<66} {figure}")

    def hold(self, name: str, figure: str, *, kept: bool) -> None:
        """Add a figure with a limit, and whether it is kept."""
        self.add(name, f"{figure}{'' if kept else '   LIMIT NOT KEPT'}")
        if not kept:
            self.failures.append(name)

    def text(self, title: str) -> str:
        """Return all of it."""
        return "\n".join((title, *self.lines, ""))


def share(part: int, whole: int) -> str:
    """Return a count of a whole, and the same in %."""
    return f"{part} of {whole} ({100.0 * part / whole:.2f} %)" if whole else f"{part} of 0"
