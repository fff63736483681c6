"""The two pages about calibrations: their history, and the guided routine."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from daemon.journal.errors import JournalError
from daemon.local_time import SECOND, local
from daemon.page.acts.answers import Answer
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.acts.forms import Form
from daemon.page.acts.offers import Offer
from daemon.page.calibrations.answers import RoutineAnswer
from daemon.page.calibrations.calibration_source import CalibrationSource
from daemon.page.calibrations.history_view import ProbeSection, probe_section
from daemon.page.calibrations.kinds import CALIBRATION_KINDS
from daemon.page.calibrations.routine_view import NEEDED, routine_sections
from daemon.page.frame import Page, framed
from daemon.page.request import Request
from daemon.page.response import Response
from daemon.page.routes import Route

HISTORY, ROUTINE = "/calibrations", "/calibrations/routine"
SHOWN_RECORDS, ALL_RECORDS = 30, 1000
"""Records of each probe."""
LOOK_AGAIN = f"10; url={ROUTINE}"
"""A browser without scripts loads a routine that settles again."""
ACTS_STYLE, ACTS_SCRIPT = "acts.css", "acts.js"


@dataclass(frozen=True, slots=True)
class _Pages:
    source: CalibrationSource
    desk: CommandDesk | None

    def history(self, request: Request, _: Mapping[str, str]) -> Response:
        view = self.source.sources.view(request)
        every = request.value("records") == "all"
        trouble, sections, more = view.trouble, list[ProbeSection](), False
        try:
            sections, more = self._sections(request, ALL_RECORDS if every else SHOWN_RECORDS)
        except JournalError as exc:
            trouble = trouble or str(exc)
        reply = self._reply(request)
        forms = {
            each.key: self._forms(request, _in_force_offers(each), HISTORY, reply)
            for each in sections
        }
        return framed(
            self.source.sources.frame,
            Page(
                "calibrations.html",
                "Calibrations",
                HISTORY,
                scripts=("calibrations.js", ACTS_SCRIPT),
                libraries=("dygraph.js",),
                styles=("dygraph.css", ACTS_STYLE, "calibrations.css"),
                refresh="" if reply is None else reply.refresh,
            ),
            sections=sections,
            forms=forms,
            reply=reply,
            more=more,
            every=every,
            trouble=trouble,
            routine=ROUTINE,
            at=local(view.at, view.zone, SECOND),
        )

    def routine(self, request: Request, _: Mapping[str, str]) -> Response:
        view = self.source.sources.view(request)
        trouble, routines = view.trouble, tuple[RoutineAnswer, ...]()
        try:
            routines = self.source.routines(view)
        except JournalError as exc:
            trouble = trouble or str(exc)
        reply = self._reply(request)
        sections = routine_sections(
            view, routines, lambda offers: self._forms(request, offers, ROUTINE, reply)
        )
        settles = any(each.settling is not None for each in routines)
        again = LOOK_AGAIN if settles else ""
        return framed(
            self.source.sources.frame,
            Page(
                "routine.html",
                "Calibrate",
                HISTORY,
                scripts=("routine.js", ACTS_SCRIPT),
                libraries=("dygraph.js",),
                styles=("dygraph.css", ACTS_STYLE, "calibrations.css"),
                refresh=again if reply is None else reply.refresh or again,
            ),
            sections=sections,
            places=list(dict.fromkeys(each.place for each in sections)),
            reply=reply,
            who=None if self.desk is None else self.desk.visitor(request),
            acts=self._takes(),
            trouble=trouble,
            needed=NEEDED,
            preparation=self.source.preparation(),
            history=HISTORY,
            at=local(view.at, view.zone, SECOND),
        )

    def _sections(self, request: Request, limit: int) -> tuple[list[ProbeSection], bool]:
        source, sections, more = self.source, list[ProbeSection](), False
        titles = {each.name: each.title for each in source.sources.settings}
        for number, probe in enumerate(source.history(request, limit=1).probes):
            place = probe.reservoir
            answer = source.history(request, place, probe.probe, limit)
            drift = source.drift(request, place, probe.probe)
            title = titles.get(place, place)
            sections.append(probe_section(number, probe, answer, drift, title, source.sources.zone))
            more = more or answer.more
        return sections, more

    def _reply(self, request: Request) -> Answer | None:
        return None if self.desk is None else self.desk.answer(request)

    def _forms(
        self, request: Request, offers: Iterable[Offer], here: str, reply: Answer | None
    ) -> list[Form]:
        if self.desk is None:
            return []
        return self.desk.forms(self.desk.visitor(request), offers, here, reply)

    def _takes(self) -> bool:
        """Return whether the page takes any command of a routine."""
        return self.desk is not None and any(
            kind.verb in self.desk.allowed
            for name, kind in CALIBRATION_KINDS.items()
            if name not in ("calibration-revert", "calibration-settle")
        )


def _in_force_offers(section: ProbeSection) -> list[Offer]:
    """Return what can be done about which calibration is in force."""
    about = {"probe": section.probe}
    if not section.configured:
        return []
    offers = []
    if section.on_hold:
        offers.append(Offer("calibration-settle", section.reservoir, about, since=section.on_hold))
    if sum(each.kind == "Calibration" for each in section.records) > 1:
        offers.append(Offer("calibration-revert", section.reservoir, about, since=section.in_force))
    return offers


def routes(source: CalibrationSource, desk: CommandDesk | None) -> tuple[Route, ...]:
    """Return the routes of the pages about calibrations.

    Args:
        source: What they read from.
        desk: Takes commands; None where none are configured.
    """
    pages = _Pages(source, desk)
    return (Route(HISTORY, pages.history), Route(ROUTINE, pages.routine))
