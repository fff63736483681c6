"""What a batch was made of and has to meet, as far as its events and the settings tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING

from daemon.entries import Event, Kind
from daemon.journal.event_codec import facts_of
from daemon.mixing.batch.record import BatchRecord

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


def setup_of(
    record: BatchRecord, config: Config, lots: Mapping[str, Lot], printed: datetime | None = None
) -> Setup:
    """Return what a batch was made of and has to meet.

    Args:
        record: The batch.
        config: The whole configuration; the batch's reservoir may no longer be in it.
        lots: Of salt mix, by name.
        printed: When the document is made, UTC.
    """
    reservoir = next((each for each in config.reservoirs if each.name == record.reservoir), None)
    start = _last_start(record)
    content, content_u = _learned(record)
    if content is None and reservoir is not None:
        content = reservoir.mix_yield
    lot = _word(start, "lot")
    return Setup(
        station=config.station.name,
        zone=config.station.zone,
        printed=printed,
        target_ppt=None if reservoir is None else reservoir.target_ppt,
        tolerance_ppt=None if reservoir is None else reservoir.tolerance_ppt,
        release_confidence=None if reservoir is None else reservoir.release_confidence,
        use_within_h=None if reservoir is None else reservoir.use_within_h,
        lot=lot,
        lot_number=lots[lot].number if lot in lots else "",
        mix_g=number(start, "mass_g"),
        salt_content=content,
        salt_content_u=content_u,
        water_l=number(start, "volume_l") or (None if reservoir is None else reservoir.fill_l),
        heel_l=number(start, "heel_volume_l"),
        heel_salinity=number(start, "heel_salinity"),
    )


def notes_of(record: BatchRecord) -> list[Event]:
    """Return the notes that were accepted into a batch's record."""
    return [
        event
        for event in record.events
        if event.kind is Kind.COMMAND
        and facts_of(event.body).get("verb") == "batch.note"
        and facts_of(event.body).get("ok")
    ]


def number(facts: Mapping[str, JSON], key: str) -> float | None:
    """Return a number among facts; None where there is none."""
    value = facts.get(key)
    return float(value) if isinstance(value, int | float) else None


def _last_start(record: BatchRecord) -> Mapping[str, JSON]:
    """Return what was last recorded at the start; a later start corrects all of an earlier one."""
    start: Mapping[str, JSON] = {}
    for event in record.events:
        facts = facts_of(event.body)
        started = event.kind is Kind.COMMAND and facts.get("verb") == "batch.start"
        if started and facts.get("ok") and "mass_g" in facts:
            start = facts
    return start


def _learned(record: BatchRecord) -> tuple[float | None, float | None]:
    """Return the salt content that this batch has shown, and its standard uncertainty."""
    for event in reversed(record.events):
        if event.kind is Kind.BATCH and facts_of(event.body).get("what") == "yield learned":
            return number(facts_of(event.body), "mix_yield"), number(
                facts_of(event.body), "mix_yield_u"
            )
    return None, None


def _word(facts: Mapping[str, JSON], key: str) -> str:
    return str(facts[key]) if facts.get(key) else ""
