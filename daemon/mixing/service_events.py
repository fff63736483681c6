"""What the service tells of itself: beginning and end, journal, inbox, alarms and inputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from daemon.entries import Kind
from daemon.mixing.events import optional


@dataclass(frozen=True, slots=True)
class MeasuringBegan:
    """Measuring began.

    Attributes:
        state: Tells it from the other events of a device.
        version: Of the program.
        rehearsal_speed: How much faster than the clock time goes, in a rehearsal.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "measuring began"
    version: str
    rehearsal_speed: float | None = optional()


@dataclass(frozen=True, slots=True)
class MeasuringEnded:
    """Measuring ended because it was told to.

    Attributes:
        state: Tells it from the other events of a device.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "measuring ended"


@dataclass(frozen=True, slots=True)
class InputFails:
    """An input, a thermometer or a pump contact that stands on its own, gives no value.

    Attributes:
        input: Its name.
        state: Tells it from the other events of a device.
        why: The fault, as a sentence.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    input: str
    state: ClassVar[str] = "fault"
    why: str


@dataclass(frozen=True, slots=True)
class InputWorks:
    """An input gives values again.

    Attributes:
        input: Its name.
        state: Tells it from the other events of a device.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    input: str
    state: ClassVar[str] = "working"


@dataclass(frozen=True, slots=True)
class AlarmFloodChanged:
    """A flood of alarms began or ended.

    Attributes:
        state: Which.
        alarms: How many came within the time that counts.
        why: As a sentence.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: Literal["alarm flood began", "alarm flood ended"]
    alarms: int
    why: str


@dataclass(frozen=True, slots=True)
class EntryDamaged:
    """The disk has changed what the journal holds.

    Attributes:
        state: Tells it from the other events of a device.
        why: As a sentence.
        entry: Number of the entry that it stands for.
        readings: How many readings are in no minute summary for it.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "damaged entry"
    why: str
    entry: int | None = optional()
    readings: int | None = optional()


@dataclass(frozen=True, slots=True)
class EntriesLost:
    """Entries could not be written and are lost.

    Attributes:
        state: Tells it from the other events of a device.
        why: As a sentence.
        readings: How many.
        events: How many.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "entries lost"
    why: str
    readings: int
    events: int


@dataclass(frozen=True, slots=True)
class JournalFull:
    """The journal reached its largest size.

    Attributes:
        state: Tells it from the other events of a device.
        why: As a sentence.
        readings: How many became summaries before their time.
        unconfirmed: How many of them before every publisher had them.
        summaries: How many summaries were removed.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "journal full"
    why: str
    readings: int
    unconfirmed: int
    summaries: int


@dataclass(frozen=True, slots=True)
class JournalCutOff:
    """The journal ends before what it held.

    Attributes:
        state: Tells it from the other events of a device.
        why: As a sentence.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "journal cut off"
    why: str


@dataclass(frozen=True, slots=True)
class JournalReplaced:
    """A spoilt journal was put aside, and a new one goes on with what could be read of it.

    Attributes:
        state: Tells it from the other events of a device.
        why: As a sentence.
        aside: Name of the file that was put aside.
        events: How many went over.
        calibrations: How many of them are of calibration.
        readings: How many went over.
        memory: Whether the station's state went over.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "journal put aside"
    why: str
    aside: str
    events: int
    calibrations: int
    readings: int
    memory: bool


@dataclass(frozen=True, slots=True)
class JournalSalvaged:
    """A backup holds what could be read of a spoilt journal.

    Attributes:
        state: Tells it from the other events of a device.
        why: As a sentence.
        events: How many are in it.
        readings: How many are in it.
        memory: Whether the station's state is in it.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "journal salvaged"
    why: str
    events: int
    readings: int
    memory: bool


@dataclass(frozen=True, slots=True)
class JournalRestored:
    """The journal was restored from a backup.

    Attributes:
        state: Tells it from the other events of a device.
        why: As a sentence.
        made_at: When the backup was made.
        last_seq: Number of its last entry.
        backup: Digest of the backup, hexadecimal.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "journal restored"
    why: str
    made_at: str
    last_seq: int
    backup: str


@dataclass(frozen=True, slots=True)
class InboxMoved:
    """The inbox of commands was moved from its earlier place.

    Attributes:
        state: Tells it from the other events of a device.
        why: As a sentence.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: ClassVar[str] = "inbox moved"
    why: str


@dataclass(frozen=True, slots=True)
class InboxReplaced:
    """The inbox of commands was put aside, and another took its place.

    Attributes:
        state: Whether it was spoilt, or could not be used.
        why: As a sentence.
        aside: Name of the file that was put aside.
    """

    kind: ClassVar[Kind] = Kind.DEVICE
    state: Literal["inbox put aside", "inbox replaced"]
    why: str
    aside: str
