"""What a batch was made of and has to meet, as far as its events and the settings tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING, Protocol

from daemon.entries import Event
from daemon.mixing.batch.batch_record import BatchRecord
from daemon.mixing.events import CommandAnswered, SaltContentLearned

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.entries import JSON
    from daemon.mixing.batch.lots import Lot


@dataclass(frozen=True, slots=True)
class Setup:
    """Settings and recorded amounts of one batch; None or empty where not recorded.

    Attributes:
        station: Its name.
        zone: Of the station; times are written in it.
        printed: When the document was made, UTC.
        target_ppt: Target salinity.
        tolerance_ppt: Half of the tolerance interval.
        release_confidence: Conformance probability that release asks for.
        use_within_h: Hours from release to use-by.
        lot: Name of the lot of salt mix.
        lot_number: As printed on its bag.
        mix_g: Mass of salt mix.
        salt_content: Sea salt per mix, g/g.
        salt_content_u: Its standard uncertainty.
        water_l: Water before the salt, heel included.
        heel_l: Heel in it.
        heel_salinity: Salinity of the heel.
    """

    station: str = ""
    zone: tzinfo = UTC
    printed: datetime | None = None
    target_ppt: float | None = None
    tolerance_ppt: float | None = None
    release_confidence: float | None = None
    use_within_h: float | None = None
    lot: str = ""
    lot_number: str = ""
    mix_g: float | None = None
    salt_content: float | None = None
    salt_content_u: float | None = None
    water_l: float | None = None
    heel_l: float | None = None
    heel_salinity: float | None = None

    @property
    def limits(self) -> tuple[float, float] | None:
        """The tolerance limits, ppt; None where they are not known."""
        if self.target_ppt is None or self.tolerance_ppt is None:
            return None
        return self.target_ppt - self.tolerance_ppt, self.target_ppt + self.tolerance_ppt


@dataclass(frozen=True, slots=True)
class Targets:
    """What the configuration says of a reservoir, as far as its batches need it.

    Attributes:
        target_ppt: Target salinity.
        tolerance_ppt: Half of the tolerance interval.
        release_confidence: Conformance probability that release asks for; None for unknown.
        use_within_h: Hours from release to use-by; None for unknown.
        salt_content: Sea salt per mix where no batch has shown it, g/g; None for unknown.
        fill_l: Water where none is recorded, L; None for unknown.
    """

    target_ppt: float
    tolerance_ppt: float
    release_confidence: float | None = None
    use_within_h: float | None = None
    salt_content: float | None = None
    fill_l: float | None = None


class ReservoirSettings(Protocol):
    """What there is of a section `[[reservoir]]`, as far as its batches need it."""

    @property
    def target_ppt(self) -> float:
        """Target salinity."""

    @property
    def tolerance_ppt(self) -> float:
        """Half of the tolerance interval."""

    @property
    def release_confidence(self) -> float | None:
        """Conformance probability that release asks for."""

    @property
    def use_within_h(self) -> float | None:
        """Hours from release to use-by."""

    @property
    def mix_yield(self) -> float | None:
        """Sea salt per mix where no batch has shown it, g/g."""

    @property
    def fill_l(self) -> float | None:
        """Water where none is recorded, L."""


def targets_of(config: Config, reservoir: str) -> Targets | None:
    """Return what a reservoir is to reach; None where it is no longer configured."""
    found = next((each for each in config.reservoirs if each.name == reservoir), None)
    return None if found is None else targets_from(found)


def targets_from(settings: ReservoirSettings) -> Targets:
    """Return what a reservoir is to reach, from its section or what a page has of that."""
    return Targets(
        settings.target_ppt,
        settings.tolerance_ppt,
        settings.release_confidence,
        settings.use_within_h,
        settings.mix_yield,
        settings.fill_l,
    )


def setup_of(
    record: BatchRecord, config: Config, lots: Mapping[str, Lot], printed: datetime | None = None
) -> Setup:
    """Return the salt and water of a batch and what it has to meet.

    Args:
        record: The batch.
        config: The whole configuration; the batch's reservoir may no longer be in it.
        lots: Of salt mix, by name.
        printed: When the document is made, UTC.
    """
    return replace(
        made_of(
            record,
            targets_of(config, record.reservoir),
            {name: lot.number for name, lot in lots.items()},
        ),
        station=config.station.name,
        zone=config.station.zone,
        printed=printed,
    )


def made_of(record: BatchRecord, targets: Targets | None, lot_numbers: Mapping[str, str]) -> Setup:
    """Return the salt and water of a batch and what it has to meet, without the station's name.

    Args:
        record: The batch.
        targets: Of its reservoir; None where it is no longer configured.
        lot_numbers: As printed on their bags, by the names of the lots.
    """
    start = start_of(record)
    content, content_u = _salt_content(record)
    lot = str(start.get("lot") or "")
    recorded = Setup(
        lot=lot,
        lot_number=lot_numbers.get(lot, ""),
        mix_g=_number(start, "mass_g"),
        salt_content=content,
        salt_content_u=content_u,
        water_l=_number(start, "volume_l"),
        heel_l=_number(start, "heel_volume_l"),
        heel_salinity=_number(start, "heel_salinity"),
    )
    if targets is None:
        return recorded
    return replace(
        recorded,
        target_ppt=targets.target_ppt,
        tolerance_ppt=targets.tolerance_ppt,
        release_confidence=targets.release_confidence,
        use_within_h=targets.use_within_h,
        salt_content=targets.salt_content if content is None else content,
        water_l=recorded.water_l or targets.fill_l,
    )


def notes_of(record: BatchRecord) -> list[Event]:
    """Return the notes that were accepted into a batch's record."""
    return [event for event in record.events if _accepted(event, "batch.note") is not None]


def start_of(record: BatchRecord) -> Mapping[str, JSON]:
    """Return what was last recorded at the start; a later start corrects all of an earlier one."""
    starts = (_accepted(event, "batch.start") for event in reversed(record.events))
    return next((start for start in starts if start is not None and "mass_g" in start), {})


def _accepted(event: Event, verb: str) -> Mapping[str, JSON] | None:
    """Return the arguments of a command that was carried out; None for any other event."""
    match event.body:
        case CommandAnswered(verb=given, ok=True, arguments=arguments) if given == verb:
            return arguments
    return None


def _salt_content(record: BatchRecord) -> tuple[float | None, float | None]:
    """Return the salt content by this batch, and its standard uncertainty."""
    for event in reversed(record.events):
        if isinstance(event.body, SaltContentLearned):
            return event.body.mix_yield, event.body.mix_yield_u
    return None, None


def _number(arguments: Mapping[str, JSON], name: str) -> float | None:
    value = arguments.get(name)
    return float(value) if isinstance(value, int | float) else None
