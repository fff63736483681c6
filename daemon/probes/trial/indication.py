"""Readings as an instrument indicates them: what the configuration undoes is done again."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from daemon.mixing.probe.likely_settings import IndicatedUnits
from daemon.mixing.probe.temperature_response import Indication

if TYPE_CHECKING:
    from daemon.entries import Sample
    from daemon.probes.trial.runner import Subject

PERIODS = 2.0
"""By how many of its periods a temperature beside the probe may be old; our own choice."""


@dataclass(slots=True)
class Pairing:
    """Conductivity of a probe with its own temperature, or the newest of the input beside it.

    Attributes:
        subject: The probe.
        units: As its section has them.
    """

    subject: Subject
    units: IndicatedUnits
    _beside: tuple[float, float] | None = None

    def take(self, whose: Subject, sample: Sample) -> Indication | None:
        """Return a reading of the sample where one is complete with it.

        Args:
            whose: The probe or the input that it is of.
            sample: What came.
        """
        at_s = sample.at.mono_s
        if whose is not self.subject:
            if sample.temperature_C is not None:
                self._beside = (at_s + PERIODS * whose.section.period_s, sample.temperature_C)
            return None
        conductivity, temperature = sample.conductivity_mS_cm, sample.temperature_C
        if temperature is None and self._beside is not None and at_s <= self._beside[0]:
            temperature = self._beside[1]
        if conductivity is None or temperature is None:
            return None
        share = self.units.percent_per_C / 100.0
        stretch = 1.0 + share * (temperature - self.units.reference_C)
        return Indication(at_s, conductivity / stretch, temperature) if stretch > 0.0 else None
