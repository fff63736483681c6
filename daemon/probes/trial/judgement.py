"""What a short trial says of a probe, in sentences: what came, and what is likely set wrong."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

from daemon.mixing.probe.likely_settings import (
    Alternative,
    IndicatedUnits,
    Water,
    suspicions,
)
from daemon.probes import registry
from daemon.probes.line_section import LineSection
from daemon.wire.line import shown
from daemon.wire.units import Scale

if TYPE_CHECKING:
    from daemon.entries import Sample
    from daemon.probes.trial.runner import Subject

HELD = ("another program holds it", "Device or resource busy")
"""Words of the drivers' sentences for a device that another program has."""
_ECHO = (
    "What comes back is the request {request!r} itself: an echo of the adapter or of the"
    " instrument, and no reply after it; switch the echo off, and check the request."
)
_UNREADABLE = (
    "Replies come and cannot be read: likely are another speed or parity where they hold signs that"
    " are no text, else another pattern: {command} tries speeds and proposes a pattern."
)
_SILENT = (
    "No reply: likely are no power, data wires that are swapped or open, another speed or address"
)
CAUSES = ("the one instrument there has address",)
"""Words of the drivers' sentences that say why there is no reply."""
_COLD = "It has no temperature, so no salinity: the input {name} gave none in this time; see there."
SILENT = ("no reply", "no line", "no answer", "did not answer")


@dataclass(frozen=True, slots=True)
class Judgement:
    """What came of one probe or input.

    Attributes:
        words: What it is called.
        readings: How many came with a value.
        faults: Sentences of the driver, each once, in the order in which they came.
        conductivity_mS_cm: Median; None for none.
        temperature_C: Median; None for none.
        pump: The last that was said; None for nothing.
        findings: What is likely wrong and what to do, a sentence each.
    """

    words: str
    readings: int
    faults: tuple[str, ...]
    conductivity_mS_cm: float | None
    temperature_C: float | None
    pump: bool | None
    findings: tuple[str, ...]

    @property
    def is_right(self) -> bool:
        """Whether values came, and nothing seems wrong with them."""
        return self.readings > 0 and not self.faults and not self.findings

    def with_findings(self, findings: Sequence[str]) -> Judgement:
        """Return the same with what a closer look found, in place of what was found before."""
        return replace(self, findings=tuple(findings))


def judge(
    subject: Subject,
    samples: Sequence[Sample],
    water: Water,
    holders: Mapping[str, tuple[str, ...]],
    temperature_beside_C: float | None = None,
) -> Judgement:
    """Return what a trial says.

    Args:
        subject: Which probe or input.
        samples: What came of it.
        water: What it stands in.
        holders: Who has which device open, by its real path.
        temperature_beside_C: By the input that a probe names for it; None for none.
    """
    good = [each for each in samples if not each.fault]
    faults = tuple(dict.fromkeys(each.fault for each in samples if each.fault))
    pairs = [
        (
            each.conductivity_mS_cm,
            temperature_beside_C if each.temperature_C is None else each.temperature_C,
        )
        for each in good
    ]
    findings = [
        *_of_the_way(subject, samples, faults, holders),
        *_of_the_thermometer(subject, pairs),
        *suspicions(pairs, units_of(subject), water, _alternatives(subject, samples)),
    ]
    pumps = [each.pump for each in good if each.pump is not None]
    return Judgement(
        subject.words,
        len(good),
        faults,
        _median([value for value, _ in pairs]),
        _median([value for _, value in pairs]),
        pumps[-1] if pumps else None,
        tuple(dict.fromkeys(findings)),
    )


def units_of(subject: Subject) -> IndicatedUnits:
    """Return what a section says of its numbers; those of the service where it says nothing."""
    scale = getattr(subject.section, "scale", None)
    if not isinstance(scale, Scale):
        return IndicatedUnits()
    return IndicatedUnits(
        scale.conductivity_unit, scale.temperature_unit, scale.percent_per_C, scale.reference_C
    )


def _median(values: Sequence[float | None]) -> float | None:
    there = [value for value in values if value is not None]
    return median(there) if there else None


def _alternatives(subject: Subject, samples: Sequence[Sample]) -> list[Alternative]:
    """Return what other settings make of the newest reply, as the driver knows them."""
    spoken = [each for each in samples if each.spoken]
    if not spoken:
        return []
    return registry.kind(subject.section.driver).alternatives(subject.section, spoken[-1])


def _of_the_way(
    subject: Subject,
    samples: Sequence[Sample],
    faults: Sequence[str],
    holders: Mapping[str, tuple[str, ...]],
) -> list[str]:
    """Return what is wrong on the way: a device that is held, an echo, silence, broken replies."""
    used = type(subject.section).occupies(subject.section.model_dump())
    path = "" if used is None else used.path
    text = " ".join(faults)
    if any(words in text for words in HELD):
        return [_port_in_use(path, holders)]
    request = str(getattr(subject.section, "request", None) or "").strip()
    if request and any(each.fault and each.spoken.strip() == request for each in samples):
        return [_ECHO.format(request=shown(request))]
    if not samples:
        return ["Nothing came in this time, not even a fault; try for longer (--seconds)."]
    if "unreadable" in text:
        return _unreadable(subject, path)
    if any(words in text for words in SILENT) and not any(words in text for words in CAUSES):
        return _silent(subject, path)
    return []


def _of_the_thermometer(
    subject: Subject, pairs: Sequence[tuple[float | None, float | None]]
) -> list[str]:
    """Return what is missing where a probe names an input that says nothing."""
    name = getattr(subject.section, "temperature_from", None)
    if not name or not pairs or any(temperature is not None for _, temperature in pairs):
        return []
    return [_COLD.format(name=name)]


def _port_in_use(path: str, holders: Mapping[str, tuple[str, ...]]) -> str:
    known = holders.get(os.path.realpath(path), ()) if path else ()
    if any("service" in each for each in known) or not known:
        who = " and ".join(known) or "usually the service"
        return (
            f"Another program has {path} open ({who}): stop the service while you try"
            " (sudo systemctl stop brinewright-measure), and start it afterwards."
        )
    return f"{path} is open in {' and '.join(known)}: end that first."


def _unreadable(subject: Subject, path: str) -> list[str]:
    """Return what to do about replies that do not fit, by what they look like."""
    if not hasattr(subject.section, "baud"):
        return ["Replies come and do not fit the pattern: compare the line above with reply."]
    request = getattr(subject.section, "request", None)
    option = f" --request {request!r}" if request else ""
    return [_UNREADABLE.format(command=f"brinewright probe listen {path}{option}")]


def _silent(subject: Subject, path: str) -> list[str]:
    section = subject.section
    if not hasattr(section, "baud"):
        return []
    if not isinstance(section, LineSection):
        return [f"{_SILENT}. See the page of its driver for what each fault means."]
    option = f" --request {section.request!r}" if section.request else ""
    return [
        (
            f"{_SILENT}, or another line end of the request. brinewright probe listen"
            f" {path}{option} shows whether anything comes at all."
        )
    ]
