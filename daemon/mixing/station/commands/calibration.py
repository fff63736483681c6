"""Commands about the calibration of a probe: start, confirm, abort, check, revert, settle."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from calibration import history
from calibration.acceptance import REPAIRS
from calibration.bench import Act, ActKind
from calibration.points import Thermometer
from calibration.record import Reversion, Settlement
from daemon.mixing.batch import lifecycle
from daemon.mixing.events import Happening
from daemon.mixing.probe import calibration_routines, reference_solutions
from daemon.mixing.probe.calibration_history import name_of, plain, record_id
from daemon.mixing.probe.probe_state import ProbeState
from daemon.mixing.probe_events import CalibrationSettled, RecordSaved, RoutineSpoke
from daemon.mixing.stability.detector import Disturbed, Stability
from daemon.mixing.station import together
from daemon.mixing.station.commands.calibration_plan import plan_for
from daemon.mixing.station.commands.context import (
    LONGEST_NAME,
    LONGEST_TEXT,
    CalibrationContext,
    CommandResult,
    Rejected,
    Verb,
)

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.mixing.probe.calibration_routines import CalibrationBench
    from daemon.mixing.station.station_state import ReservoirSettings, ReservoirState

LONGEST_REFERENCES = 2000
WITH_TEXT = (RoutineSpoke, RecordSaved, CalibrationSettled)
"""Events of the routine that hold a sentence."""
ACT = ("probe", "step", "turn")
START = ("probe", "references", "thermometer", "thermometer_tolerance_C", "not_after")


@dataclass(frozen=True, slots=True)
class Place:
    """One probe of one reservoir, with what its calibration needs.

    Attributes:
        calibrating: Routines and records of the station.
        state: Of the reservoir.
        settings: Of the reservoir.
        probe: Name of the probe.
    """

    calibrating: CalibrationBench
    state: ReservoirState
    settings: ReservoirSettings
    probe: str

    @property
    def name(self) -> str:
        """Of the probe in its records."""
        return name_of(self.settings.name, self.probe)

    @property
    def is_out(self) -> bool:
        """Whether the probe is out of the water."""
        probe = self.state.probes.get(self.probe)
        return probe is not None and probe.out_s is not None

    @property
    def probe_state(self) -> ProbeState:
        """The state of the probe."""
        return self.state.probes.setdefault(self.probe, ProbeState())


def _start(context: CalibrationContext) -> CommandResult:
    """Take a probe out of the water to calibrate it."""
    as_left = context.arguments.text("as_left", LONGEST_REFERENCES)
    references = reference_solutions.parse(as_left) if as_left else ()
    if len(references) > 1:
        raise Rejected("as_left is one reference, measured once more at the end")
    return _begin(context, adjust=True, as_left=as_left)


def _check(context: CalibrationContext) -> CommandResult:
    """Take a probe out of the water to check it in a reference, without adjustment."""
    return _begin(context, adjust=False)


def _begin(context: CalibrationContext, *, adjust: bool, as_left: str = "") -> CommandResult:
    place = _place(context)
    _check_in_time(context)
    routine = place.calibrating.running.get(place.name)
    if routine is not None:
        raise Rejected(
            f"probe {place.probe} is being calibrated already, at step {routine.step};"
            " abort that first"
        )
    plan = plan_for(
        place.calibrating,
        place.settings,
        place.probe,
        context.wall,
        reference_solutions.parse(context.arguments.text("references", LONGEST_REFERENCES)),
        adjust=adjust,
        thermometer=_thermometer(context),
        as_left=reference_solutions.parse(as_left)[0] if as_left else None,
    )
    if adjust:
        plan = replace(plan, repair=context.arguments.text("repair", LONGEST_NAME))
    steps = place.calibrating.begin(
        plan, place.probe_state, context.t_s, _iso(context.wall), context.who
    )
    steps = _with_thermometer(steps, place.settings.thermometers.get(place.probe))
    doing = "calibration" if adjust else "check"
    return CommandResult(
        f"{doing} {plan.id} of probe {place.probe} has begun; its readings do not count until it"
        " is back in the water",
        tuple(steps),
    )


def _with_thermometer(steps: list[Happening], thermometer: str | None) -> list[Happening]:
    """Let the first instruction name a thermometer that must go where the probe goes."""
    for number, step in enumerate(steps):
        if thermometer is not None and isinstance(step.body, RoutineSpoke):
            text = (
                f"The temperature comes from input {thermometer}: keep that thermometer beside the"
                " probe in each reference, and put it back with it; other probes that it serves"
                f" read wrong meanwhile. {step.body.text}"
            )
            spoken = replace(step, body=replace(step.body, text=text))
            return [*steps[:number], spoken, *steps[number + 1 :]]
    return steps


def _check_in_time(context: CalibrationContext) -> None:
    """Reject a command that waited so long that the bench may be empty."""
    not_after = context.arguments.text("not_after", LONGEST_NAME)
    if not_after and context.wall > history.moment(not_after):
        raise Rejected("it was sent too long ago to begin now; send it again")


def _thermometer(context: CalibrationContext) -> Thermometer | None:
    name = context.arguments.text("thermometer", LONGEST_NAME)
    tolerance = context.arguments.number("thermometer_tolerance_C", 0.001, 2.0)
    if name and tolerance is None:
        raise Rejected(
            "thermometer_tolerance_C is wanted too: the ± on its certificate or its housing, in °C"
        )
    if tolerance is not None and not name:
        raise Rejected("thermometer is wanted too: its name, with its serial number")
    return None if tolerance is None else Thermometer(name, tolerance)


def _act(context: CalibrationContext, doing: ActKind) -> CommandResult:
    place = _place(context)
    value = context.arguments.number("value_C", -5.0, 60.0)
    routine = place.calibrating.running.get(place.name)
    step = context.arguments.text("step", LONGEST_NAME)
    if routine is None:
        return _back(context, place, doing, step)
    if step and step != routine.step:
        raise Rejected(f"the routine is at step {routine.step} by now, not at {step}; look again")
    _check_turn(context, place)
    if not routine.takes(doing):
        raise Rejected(f"'{doing}' does nothing at step {routine.step}")
    newest = place.calibrating.records.newest(place.name)
    if newest is not None and context.wall < newest and doing is not ActKind.ABORT:
        raise Rejected("the clock was set back since the last record; abort, and set it right")
    act = Act(doing, _iso(context.wall), context.who, value)
    steps = place.calibrating.act(place.name, act)
    place.probe_state.out_s = context.t_s
    return CommandResult(_last_text(steps), tuple(steps))


def _check_turn(context: CalibrationContext, place: Place) -> None:
    """Reject an act that was meant for an earlier turn of the routine, or for another one."""
    turn = context.arguments.text("turn", LONGEST_NAME)
    if turn not in ("", place.calibrating.conversations[place.name].turn):
        raise Rejected("the routine has gone on since that was shown; look again")


def _last_text(steps: list[Happening]) -> str:
    texts = [each.body.text for each in steps if isinstance(each.body, WITH_TEXT)]
    return texts[-1] if texts else "done"


def _back(context: CalibrationContext, place: Place, doing: ActKind, step: str) -> CommandResult:
    """Let the readings count again, once a person confirms that the probe is in the water."""
    if not place.is_out:
        raise Rejected(
            f"probe {place.probe} is not being calibrated; begin a calibration or a check first"
        )
    if doing is not ActKind.CONFIRM or step not in ("", calibration_routines.BACK):
        raise Rejected(
            f"the routine is over; put probe {place.probe} back into the water and confirm"
        )
    changed = place.calibrating.return_probe(place.name, place.probe_state)
    steps = [calibration_routines.back_in_water(place.name, context.who)]
    if changed or not together.is_alone(place.state, place.settings, place.probe):
        steps += _worth_changed(place, context.t_s, changed=changed)
    return CommandResult(f"probe {place.probe} measures {place.settings.name} again", tuple(steps))


def _worth_changed(place: Place, t_s: float, *, changed: bool) -> list[Happening]:
    """Judge the water again where it rests on this probe; beside others it is compared first."""
    # What a call rested on is worth something else now.
    place.state.batch.standing = None
    if together.is_alone(place.state, place.settings, place.probe):
        return judge_again(place, t_s)
    together.forget(place.state, place.probe, changed=changed)
    return []


def judge_again(place: Place, t_s: float) -> list[Happening]:
    """Restart the detectors, and judge a batch again, under another calibration.

    The water is unchanged; its measured salinity is not.
    """
    state = place.state
    state.level.clear()
    state.stability, state.armed = Stability(), False
    now = place.calibrating.records.in_force(place.name)
    reason = {"calibration": None if now is None else now.id}
    found = Disturbed("calibration", 0.0, {**reason})
    steps = lifecycle.on_disturbed(state.batch, found, t_s, place.settings.batch)
    if steps:
        # Nothing was added: its mixing time is not learned.
        state.batch.dissolving_since_s = None
    return steps


def _revert(context: CalibrationContext) -> CommandResult:
    """Go back to an older calibration."""
    place = _place(context)
    to, reason = (
        context.arguments.text("to", 3 * LONGEST_NAME),
        context.arguments.text("reason", LONGEST_TEXT),
    )
    _check_not_running(place)
    if not to:
        raise Rejected("to is wanted: the id of the calibration that is to be in force")
    records = place.calibrating.records
    now = records.in_force(place.name)
    history.find(records.records, place.name, to)
    if now is not None and now.id == to:
        raise Rejected(f"calibration {to} is in force already")
    _check_clock(place, context)
    record = Reversion(
        record_id(records.records, place.name, context.wall),
        place.name,
        _iso(context.wall),
        context.who,
        to,
        reason,
    )
    records.add(record)
    steps = [calibration_routines.reverted(place.name, plain(record))]
    if not place.is_out:
        steps += _worth_changed(place, context.t_s, changed=True)
    return CommandResult(f"calibration {to} is in force again", tuple(steps))


def _settle(context: CalibrationContext) -> CommandResult:
    """Put a calibration that is held in force, for a repair that made the probe another."""
    place = _place(context)
    repair, reason = (
        context.arguments.text("repair", LONGEST_NAME),
        context.arguments.text("reason", LONGEST_TEXT),
    )
    records = place.calibrating.records
    _check_not_running(place)
    waiting = records.on_hold(place.name)
    if waiting is None:
        raise Rejected(f"no calibration of probe {place.probe} is held")
    if repair not in REPAIRS:
        raise Rejected(f"repair is wanted: what was done to the probe, {' or '.join(REPAIRS)}")
    _check_clock(place, context)
    settlement = Settlement(
        record_id(records.records, place.name, context.wall),
        place.name,
        _iso(context.wall),
        context.who,
        waiting.id,
        in_force=True,
        why=" ".join([f"Before it the probe was repaired: {repair}.", reason]).strip(),
        repair=repair,
    )
    steps = place.calibrating.settle(settlement)
    if not place.is_out:
        steps += _worth_changed(place, context.t_s, changed=True)
    return CommandResult(f"calibration {waiting.id} is in force", tuple(steps))


def _check_not_running(place: Place) -> None:
    if place.calibrating.running.get(place.name) is not None:
        raise Rejected(f"probe {place.probe} is being calibrated; abort that first")


def _check_clock(place: Place, context: CalibrationContext) -> None:
    newest = place.calibrating.records.newest(place.name)
    if newest is not None and context.wall < newest:
        raise Rejected("the clock is before the last record of this probe; set the clock first")


def _place(context: CalibrationContext) -> Place:
    """Return the probe that is meant; the only one of a reservoir needs no name."""
    settings = context.settings
    probe, names = context.arguments.text("probe", LONGEST_NAME), list(settings.probes)
    if not probe and len(names) > 1:
        raise Rejected(f"{settings.name} has the probes {', '.join(names)}; say which")
    if probe and probe not in names:
        raise Rejected(f"there is no probe {probe!r} in {settings.name}; known: {', '.join(names)}")
    return Place(context.calibrating, context.state, settings, probe or names[0])


def _iso(wall: datetime) -> str:
    return wall.isoformat(timespec="milliseconds")


VERBS: dict[str, Verb[CalibrationContext]] = {
    "calibrate.start": Verb(_start, (*START, "as_left", "repair")),
    "calibrate.check": Verb(_check, START),
    "calibrate.confirm": Verb(
        lambda context: _act(context, ActKind.CONFIRM),
        (*ACT, "value_C"),
    ),
    "calibrate.next": Verb(lambda context: _act(context, ActKind.NEXT), ACT),
    "calibrate.retry": Verb(lambda context: _act(context, ActKind.RETRY), ACT),
    "calibrate.abort": Verb(lambda context: _act(context, ActKind.ABORT), ACT),
    "calibrate.revert": Verb(_revert, ("probe", "to", "reason")),
    "calibrate.settle": Verb(_settle, ("probe", "repair", "reason")),
}
