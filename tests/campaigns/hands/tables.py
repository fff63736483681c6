"""The table of the campaign, and whether its limits are kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tests.campaigns.hands.marks import Marks

if TYPE_CHECKING:
    from collections.abc import Mapping

NOTICED_LIMIT, RETURNED_LIMIT, NEEDLESS_LIMIT = 0.99, 0.99, 0.02
NEVER = {
    "ended": "batches ended wrongly",
    "started": "batches started wrongly",
    "aged": "ages reset",
    "released": "released while the probe was not in that water",
    "outside": "ready while it reads outside",
    "dropped": "off-target alarms gone while it reads outside",
}
AT_LEAST = {
    "refills noticed": ("noticed", "refills", NOTICED_LIMIT),
    "refills asked about": ("asked", "askable", NOTICED_LIMIT),
    "probe away, asked and withheld": ("withheld", "aways", NOTICED_LIMIT),
    "same water resumed": ("returned", "returns", RETURNED_LIMIT),
    "books right": ("kept", "books", 1.0),
}


def table(sums: Mapping[str, Marks]) -> str:
    """Return a line for each thing, and the totals."""
    head = f"{'thing':<26}{'runs':>5}{'unpr':>5}{'ended':>6}{'start':>6}{'aged':>5}{'rel':>5}"
    head += f"{'outs':>5}{'drop':>5}{'noticed':>10}{'asked':>9}{'away':>9}{'resumed':>9}"
    head += f"{'needless':>10}{'books':>10}{'questions':>11}"
    total = Marks()
    for each in sums.values():
        total.add(each)
    lines = [head, *(_line(name, each) for name, each in sums.items()), _line("total", total)]
    return "\n".join(lines) + "\n"


def _line(name: str, each: Marks) -> str:
    return (
        f"{name:<26}{each.stories:>5}{each.unprepared:>5}{each.ended:>6}{each.started:>6}"
        f"{each.aged:>5}{each.released:>5}{each.outside:>5}{each.dropped:>5}"
        f"{_of(each.noticed, each.refills):>10}{_of(each.asked, each.askable):>9}"
        f"{_of(each.withheld, each.aways):>9}"
        f"{_of(each.returned, each.returns):>9}{_of(each.needless, each.ordinary):>10}"
        f"{_of(each.kept, each.books):>10}{each.questions:>11}"
    )


def _of(part: int, whole: int) -> str:
    return f"{part}/{whole}" if whole else "-"


def missed(sums: Mapping[str, Marks]) -> list[str]:
    """Return every limit that is not kept, one sentence each."""
    total = Marks()
    for each in sums.values():
        total.add(each)
    found = [
        f"{what}: {getattr(total, name)}, none allowed"
        for name, what in NEVER.items()
        if getattr(total, name)
    ]
    for what, (part, whole, limit) in AT_LEAST.items():
        count, of = getattr(total, part), getattr(total, whole)
        if count < limit * of:
            found.append(f"{what}: {count} of {of}, at least {100.0 * limit:g} %")
    if total.needless > NEEDLESS_LIMIT * total.ordinary:
        found.append(f"needless questions: {total.needless} of {total.ordinary}, at most 1 in 50")
    return found
