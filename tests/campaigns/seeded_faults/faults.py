"""Faults that the tests once let live: one line each, and the tests that must fail with it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One slip of a tired developer.

    Attributes:
        name: In short.
        file: Where it is made.
        old: What stands there; part of one line.
        new: What stands there with the fault in it.
        tests: Those that must fail; one failing is enough.
        place: Which of several places with that text, from 1.
        places: How many there are.
    """

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]
    place: int = 1
    places: int = 1


MIXING, UNIT = "daemon/mixing", "tests/unit"
STATION = f"{UNIT}/mixing/station"
PROBE = f"{UNIT}/mixing/probe"
AGAIN = f"{UNIT}/mixing/stability/test_second_decision.py"
DURABLE = f"{UNIT}/journal/test_durability.py"
ROUTINE = f"{UNIT}/calibration/test_routine_again.py"

FAULTS = (
    Fault(
        "water released again counts as released now",
        f"{MIXING}/station/station.py",
        "state.released_at = at.wall - timedelta(seconds=age_s)",
        "state.released_at = at.wall",
        (
            (
                f"{STATION}/test_next_batch.py::test_water_released_again_that_is_stale_when_due_is_a"
                "_missed_start"
            ),
        ),
    ),
    Fault(
        "the calibration in force is chosen by time",
        f"{MIXING}/probe/calibration_history.py",
        "return history.chosen(self.of(probe), self.records, probe)",
        'return history.in_force(self.records, probe, "2099-01-01T00:00:00Z")',
        (
            (
                f"{PROBE}/test_calibration_history.py::test_what_was_written_last_is_in_force_whatever_the"
                "_clock_was_before"
            ),
        ),
    ),
    Fault(
        "a check that agrees ends nothing",
        f"{MIXING}/probe/calibration_history.py",
        'conditions.pop("calibration-due", None)',
        "pass",
        (
            (
                f"{PROBE}/test_calibration_history.py::test_the_last_check_decides_whether_a_calibration"
                "_is_due"
            ),
        ),
    ),
    Fault(
        "an unknown salinity ends the alarm of a drift",
        f"{MIXING}/station/conditions.py",
        'return {"salinity-drifting": "not known to be back"} if active else {}',
        "return {}",
        (f"{STATION}/test_unknown_while_active.py",),
    ),
    Fault(
        "an unknown temperature ends its alarm",
        f"{MIXING}/station/conditions.py",
        'return {"temperature-out-of-band": "not known to be back"} if active else {}',
        "return {}",
        (f"{STATION}/test_unknown_while_active.py",),
    ),
    Fault(
        "a silent probe at the bench counts as failed",
        f"{MIXING}/probe/health.py",
        "if probe.out_s is not None:",
        "if probe.out_s is not None and name == '':",
        (f"{PROBE}/test_health.py::test_a_probe_that_is_unplugged_at_the_bench_has_not_failed",),
        place=1,
        places=2,
    ),
    Fault(
        "new salt leaves a call by slope alone possible",
        f"{MIXING}/stability/detector.py",
        "self.drifted_index = self.undone = None",
        "self.undone = None",
        (f"{AGAIN}::test_new_salt_ends_what_a_drift_had_begun",),
    ),
    Fault(
        "a drift is remembered for ever",
        f"{MIXING}/batch/lifecycle.py",
        "state.judgement.released_salinity = state.drifted_s = None",
        "state.judgement.released_salinity = None",
        (
            (
                f"{STATION}/test_water_alarms.py::test_water_added_to_water_that_drifts_is_mixed_again"
            ),
        ),
    ),
    Fault(
        "the highest level outlives its decision",
        f"{MIXING}/stability/detector.py",
        "self.interlocks = InterlockState()",
        "pass",
        (f"{AGAIN}::test_a_batch_of_34_does_not_forbid_one_of_10_after_it",),
    ),
    Fault(
        "an open bin outlives other water",
        f"{MIXING}/stability/level.py",
        "self.filling.clear()",
        "pass",
        (f"{AGAIN}::test_a_level_that_was_cleared_is_a_fresh_one",),
        place=3,
        places=3,
    ),
    Fault(
        "wetness outlives silence",
        f"{MIXING}/probe/quality/immersion.py",
        "state.wet_mS_cm if age_s <= SUDDEN_S else 0.0",
        "state.wet_mS_cm",
        (
            (
                f"{PROBE}/test_quality.py::test_purified_water_after_minutes_of_silence_is_not_taken_for"
                "_air"
            ),
        ),
    ),
    Fault(
        "a stuck probe lowers its own noise",
        f"{MIXING}/probe/quality/noise.py",
        "        if moved:\n",
        "        if moved or channel.deviations:\n",
        (
            f"{PROBE}/test_quality_further.py::test_a_stuck_probe_does_not_forget_what_its_noise_was",
        ),
    ),
    Fault(
        "a weak signal becomes the usual one",
        f"{MIXING}/probe/quality/noise.py",
        "deviation > LEAST_TAUGHT * channel.usual",
        "deviation >= 0.0",
        (
            f"{PROBE}/test_quality_further.py::test_a_weak_signal_stays_suspect_however_long_it_lasts",
        ),
    ),
    Fault(
        "a minute outside the band goes on over a silence",
        f"{MIXING}/probe/quality/value_tests.py",
        "state.outside_since_s is None or silent:",
        "state.outside_since_s is None:",
        (f"{PROBE}/test_quality_further.py::test_a_silence_begins_the_minute_again",),
    ),
    Fault(
        "a lot keeps its oldest batches",
        f"{MIXING}/batch/lots.py",
        "[-WEIGHINGS_KEPT:]",
        "[:WEIGHINGS_KEPT]",
        (f"{UNIT}/mixing/batch/test_lots.py::test_of_forty_batches_the_twenty_newest_are_kept",),
    ),
    Fault(
        "a time of yesterday that comes as one of today is passed over",
        f"{MIXING}/batch/due_times.py",
        ".date() - timedelta(days=1)",
        ".date()",
        (
            f"{UNIT}/mixing/batch/test_due_times.py::test_the_next_due_time_is_one_of_the_local_clock",
        ),
    ),
    Fault(
        "water to thin with is measured at 25 °C",
        f"{MIXING}/seawater/dosing.py",
        "added_g / density_kg_m3(0.0, temperature_C)",
        "added_g / density_kg_m3(0.0, 25.0)",
        (
            (
                f"{UNIT}/mixing/seawater/test_dosing.py::test_thinning_is_measured_at_the_temperature_of"
                "_the_water"
            ),
        ),
    ),
    Fault(
        "the scatter of a probe counts for nothing",
        f"{MIXING}/probe/corrected_salinity.py",
        "correct.repeatability * abs(raw_mS_cm)",
        "0.0",
        (f"{PROBE}/test_corrected_salinity.py",),
    ),
    Fault(
        "entries lost are counted on from the process before",
        f"{MIXING}/station/host.py",
        "state.entries_lost = 0",
        "pass",
        (f"{STATION}/test_host.py",),
    ),
    Fault(
        "a residual is checked against the whole uncertainty of its point",
        "calibration/fit.py",
        "point.u_raw(line.slope) * math.sqrt(max(0.0, left))",
        "point.u_raw(line.slope)",
        (f"{UNIT}/calibration/test_residuals.py",),
    ),
    Fault(
        "what was waved through once is waved through at every point",
        "calibration/routine.py",
        "self._passed.clear()",
        "pass",
        (f"{ROUTINE}",),
    ),
    Fault(
        "a point is taken though it moves again",
        "calibration/routine.py",
        "if at_rest is None or not at_rest.steady or",
        "if at_rest is None or",
        (f"{ROUTINE}",),
    ),
    Fault(
        "events are not forced to the card",
        "daemon/journal/writer.py",
        "at_once = at_once or isinstance(entry, Event)",
        "at_once = bool(at_once)",
        (f"{DURABLE}::test_every_event_is_forced_to_the_card",),
    ),
    Fault(
        "readings are never forced again",
        "daemon/journal/writer.py",
        "self._flush(now_s)",
        "self._last_flush_s = now_s",
        (f"{DURABLE}::test_readings_are_forced_every_few_seconds_and_not_in_between",),
    ),
    Fault(
        "cursors are not forced to the card",
        "daemon/journal/cursors.py",
        "PRAGMA synchronous = FULL",
        "PRAGMA synchronous = NORMAL",
        (f"{DURABLE}::test_every_move_of_a_cursor_is_forced",),
    ),
    Fault(
        "a new journal gives numbers that publishers have had",
        "daemon/journal/recovery/recovery.py",
        "max(kept.highest, had)",
        "kept.highest",
        (
            (
                f"{UNIT}/journal/recovery/test_recovery.py::test_a_journal_that_cannot_be_read_at_all_goes"
                "_on_after_what_publishers_had"
            ),
        ),
    ),
    Fault(
        "nothing comes again after a fault",
        "daemon/publishing/tail.py",
        "self.resume_point.go_back()",
        "pass",
        (
            (
                "tests/contract/test_sinks_followed.py::test_what_was_acknowledged_shortly_before_a_fault"
                "_comes_again"
            ),
        ),
        place=2,
        places=2,
    ),
    Fault(
        "marks outlive a fault",
        "daemon/publishing/resume_point.py",
        "self._marks.clear()",
        "pass",
        (
            (
                f"{UNIT}/publishing/test_resume_point.py::test_marks_of_before_a_fault_count_for_nothing"
                "_after_it"
            ),
        ),
    ),
    Fault(
        "every fact of an event becomes a field",
        "daemon/publishing/influx/line_protocol.py",
        "[:MOST_FACTS]",
        "",
        (
            (
                f"{UNIT}/publishing/influx/test_line_protocol.py::test_of_many_facts_fifty_are_fields_and"
                "_all_stand_together"
            ),
        ),
    ),
    Fault(
        "how many a broker takes at a time is ignored",
        "daemon/publishing/mqtt/connection.py",
        "min(WINDOW, answer.window)",
        "WINDOW",
        (f"{UNIT}/publishing/mqtt/test_connection.py",),
    ),
    Fault(
        "a clearing takes a priority of its own",
        "daemon/publishing/notify/policy.py",
        "replace(notice, priority=known.notice.priority)",
        "notice",
        (f"{UNIT}/publishing/notify/test_policy.py::test_a_clearing_is_sent_as_the_raising_was",),
    ),
    Fault(
        "what a publisher fails with is taken for the page itself",
        "daemon/html/environment.py",
        "autoescape=True",
        "autoescape=False",
        ("tests/page/test_page_hostile.py::test_what_a_publisher_fails_with_is_shown_as_text",),
    ),
    Fault(
        "of a field that stands twice the last counts",
        "daemon/page/acts/form_data.py",
        "if len(fields) < len(pairs):",
        "if len(fields) > len(pairs):",
        (f"{UNIT}/page/acts/test_form_data.py::test_a_field_that_stands_twice_is_refused",),
    ),
    Fault(
        "a target may lie right at the limit of purified water",
        "daemon/config/crossing.py",
        "target - tolerance <= blank",
        "target - tolerance < blank",
        (
            (
                f"{UNIT}/config/test_config.py::test_a_target_whose_lower_limit_is_above_purified_water_is"
                "_taken"
            ),
        ),
    ),
    Fault(
        "the reading at which a probe is lifted is taken for its water",
        f"{MIXING}/probe/place.py",
        " and not is_unsettled(state):",
        ":",
        (f"{PROBE}/test_departure.py::test_the_reading_at_which_a_probe_is_lifted_is_no_water",),
    ),
    Fault(
        "a refill without a batch ends one",
        f"{MIXING}/batch/suspension.py",
        "ended = [] if state.phase is Phase.IDLE else _end(state, by)",
        "ended = _end(state, by)",
        (
            (
                f"{STATION}/commands/test_answer_in_each_phase.py::test_a_refill_of_old_water_begins_a_batch"
                "_where_there_was_none"
            ),
        ),
    ),
    Fault(
        "readings half a minute apart never rest",
        f"{MIXING}/probe/place.py",
        "max(60.0, 3.2 * bins.spacing_s)",
        "60.0",
        (f"{PROBE}/test_place.py::test_salt_in_water_that_was_there_for_minutes_is_another_water",),
    ),
)
