"""Which inputs give no value now, by the events of the present run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.entries import Kind
from daemon.journal import rows
from daemon.journal.reader import origins_of
from daemon.mixing.service_events import InputFails, InputWorks

if TYPE_CHECKING:
    from collections.abc import Collection

    from daemon.journal.reader import Reader


def input_faults(reader: Reader, names: Collection[str]) -> dict[str, str]:
    """Return why each of some inputs gives no value; those that do are left out.

    An input that failed before measuring began last may work again without a word of it.

    Args:
        reader: Of the journal.
        names: Of the inputs that are configured.

    Raises:
        JournalError: The journal cannot be read.
    """
    if not names:
        return {}
    with reader.transaction() as db:
        origins = origins_of(db)
        found = db.execute(
            f"SELECT {rows.EVENT_SELECTED} FROM events WHERE kind = ?1 AND seq >= coalesce("  # noqa: S608
            "(SELECT max(seq) FROM events WHERE kind = ?1 AND instr(facts, ?2) > 0), 0)"
            " ORDER BY seq",
            (str(Kind.DEVICE), '"measuring began"'),
        ).fetchall()
    failing: dict[str, str] = {}
    for row in found:
        event = rows.to_event(row, origins.get(row[1]))
        match None if event is None else event.body:
            case InputFails(input=name, why=why):
                failing[name] = why
            case InputWorks(input=name):
                failing.pop(name, None)
    return {name: failing[name] for name in names if name in failing}
