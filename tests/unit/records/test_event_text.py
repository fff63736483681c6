"""How events read to a person: every kind, in lines that fit the screen."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.cli.output import json_line
from daemon.entries import JSON, Event, Instant, Kind
from daemon.journal.event_codec import body_of
from daemon.journal.payloads import event_payload
from daemon.mixing.cautions import INDEPENDENT_CHECK
from daemon.records.event_text import alarm_names, listing, sentence_of
from tests.parts.snapshots import a_snapshot
from tests.parts.stories import mixed

NOON = Instant(datetime(2026, 3, 2, 12, 34, 56, tzinfo=UTC), 0.0)
LONG = "x" * 64
BY_KEEPER: dict[str, JSON] = {"id": "press-1", "who": "keeper", "via": "page"}
CASES: list[tuple[Kind, dict[str, JSON], str]] = [
    (Kind.PHASE, {"from": "idle", "to": "blank", "why": "water seen"}, "blank: water seen"),
    (
        Kind.STABILISED,
        {"salinity": 34.012, "salinity_u": 0.2, "reason": {"window_s": 600}},
        "at 34.01 ± 0.40 ppt (k=2)",
    ),
    (
        Kind.STABILISED,
        {"salinity": 34.012, "salinity_u": 0.2, "reason": {"confidence": 0.9861}},
        "at 34.01 ± 0.40 ppt (k=2), mixed with 98.6 % confidence",
    ),
    (Kind.STABILISED, {"salinity": 34.012, "salinity_u": None}, "at 34.01 ppt, ± unknown"),
    (
        Kind.BATCH,
        {
            "what": "yield learned",
            "lot": "blue",
            "mix_yield": 0.85,
            "mix_yield_u": 0.02,
            "batches": 3,
        },
        "lot blue: salt content 0.850 ± 0.040 (k=2)",
    ),
    (Kind.DISTURBED, {"cause": "salt", "change": 0.5, "reason": {}}, "by salt: +0.50 ppt"),
    (
        Kind.ADVICE,
        {
            "what": "start due",
            "advice": "begin a batch: 60 L ready by 10:00, every day",
            "start_by": "2026-03-03T09:15:00.000Z",
            "due_at": "2026-03-03T10:00:00.000Z",
            "volume_l": 60.0,
        },
        "begin a batch: 60 L ready by 10:00, every day; salt must be in by 2026-03-03 09:15 UTC",
    ),
    (
        Kind.FORECAST,
        {
            "final_salinity": 34.0,
            "final_u": 0.1,
            "remaining": 0.4,
            "stable_at": "2026-03-02T12:50:00.000Z",
            "stable_at_low": "2026-03-02T12:45:00.000Z",
            "stable_at_high": None,
        },
        "expected steady 12:50 UTC (12:45 UTC to later), 34.00 ppt",
    ),
    (
        Kind.FORECAST,
        {
            "expected_ready_at": "2026-03-02T12:50:00.000Z",
            "expected_ready_low": "2026-03-02T12:45:00.000Z",
            "expected_ready_high": "2026-03-02T13:05:00.000Z",
            "final_salinity": 33.92,
            "final_u": 0.1,
            "final_low": 33.81,
            "final_high": 34.04,
            "forecast_note": "then wait",
        },
        "expected steady about 12:50 (12:45 to 13:05 UTC), at 33.9 ppt (33.8 to 34.0); then wait",
    ),
    (
        Kind.FORECAST,
        {
            "expected_ready_at": None,
            "expected_ready_low": None,
            "expected_ready_high": None,
            "final_salinity": None,
            "final_u": None,
            "forecast_note": "no forecast yet: only 1 min since salt came",
        },
        "no forecast yet: only 1 min since salt came",
    ),
    (
        Kind.ALARM,
        {
            "name": "probe-fault",
            "what": "raised",
            "state": "unacknowledged",
            "standing": True,
            "priority": "medium",
            "why": "no reply",
        },
        "probe-fault raised: no reply",
    ),
    (
        Kind.ALARM,
        {
            "name": "probe-fault",
            "what": "shelved",
            "state": "shelved",
            "standing": False,
            "priority": "medium",
            "why": "away for repair",
            "who": "kim",
            "until": "2026-03-02T18:00:00.000Z",
        },
        "probe-fault shelved by kim until 2026-03-02 18:00 UTC: away for repair",
    ),
    (
        Kind.ALARM,
        {"name": "probe-fault", "what": "unshelved", "state": "normal", "why": "", "who": "kim"},
        "probe-fault unshelved by kim",
    ),
    (
        Kind.DEVICE,
        {"probe": "ct-1", "state": "health", "health": "failure", "was": "good", "why": "silent"},
        "probe ct-1 from normal to failure: silent",
    ),
    (
        Kind.ADVICE,
        {"advice": "add 100 g of salt mix", "salt_g": 100.0, "water_l": 0.0, "fits": True},
        "add 100 g of salt mix",
    ),
    (Kind.BATCH, {"what": "began", "salinity": 0.012}, "began with water at 0.01 ppt"),
    (
        Kind.BATCH,
        {"what": "ended", "how": "used", "by": "seen refilled"},
        "ended: used (seen refilled)",
    ),
    (
        Kind.DEVICE,
        {"probe": "ct-1", "state": "fault", "why": f"unreadable line: {LONG}"},
        f"probe ct-1 fault: unreadable line: {LONG}",
    ),
    (
        Kind.DEVICE,
        {"state": "measuring began", "version": "0.1.0", "rehearsal_speed": 60.0},
        "measuring began, version 0.1.0, rehearsal speed 60",
    ),
    (
        Kind.COMMAND,
        {**BY_KEEPER, "verb": "batch.use", "ok": True, "answer": "it is used"},
        "batch.use by keeper: it is used",
    ),
    (
        Kind.COMMAND,
        {**BY_KEEPER, "verb": "batch.note", "ok": False, "answer": "a note needs a text"},
        "batch.note by keeper: rejected: a note needs a text",
    ),
    (
        Kind.COMMAND,
        {**BY_KEEPER, "verb": "batch.note", "ok": True, "answer": "noted", "text": "clear"},
        "batch.note by keeper: noted (clear)",
    ),
    (
        Kind.CALIBRATION,
        {"probe": "ct-1", "what": "judged", "outcome": "hold", "reasons": []},
        "probe ct-1: on hold",
    ),
    (
        Kind.CALIBRATION,
        {"probe": "ct-1", "what": "reverted", "record": {"to_id": "ct-1-3"}},
        "probe ct-1: calibration ct-1-3 is in force again",
    ),
    (
        Kind.DEVICE,
        {"state": "entries lost", "why": "the disk is full", "readings": 7, "events": 2},
        "entries lost: the disk is full, readings 7, events 2",
    ),
    (
        Kind.DEVICE,
        {
            "state": "journal restored",
            "why": "from a backup",
            "made_at": "2026-03-02T18:00:00.000Z",
            "last_seq": 12,
            "backup": "ab12",
        },
        "journal restored: from a backup, made at 2026-03-02 18:00 UTC, last seq 12, backup ab12",
    ),
    (Kind.CALIBRATION, {"probe": "ct-1", "cell_constant": 1.0234567}, "cell constant 1.023"),
]


@pytest.mark.parametrize("kind, facts, expected", CASES)
def test_every_kind_has_its_words(kind: Kind, facts: dict[str, JSON], expected: str) -> None:
    """What happened, without braces, brackets or names of fields that mean nothing."""
    assert expected in sentence_of(Event("mix-1", NOON, "b-1", body_of(kind, facts)), UTC)


@pytest.mark.parametrize("kind, facts, expected", CASES)
def test_every_kind_fits_the_screen(kind: Kind, facts: dict[str, JSON], expected: str) -> None:
    """At most eighty columns a line, time and kind first, nothing of it lost."""
    lines = listing(Event("mix-1", NOON, "b-1", body_of(kind, facts)), UTC).splitlines()
    joined = "".join(lines).replace(" ", "")

    assert lines[0].startswith(f"2026-03-02 12:34:56 UTC  {kind}")
    assert max(map(len, lines)) <= 80
    assert expected.replace(" ", "") in joined
    assert all(each.startswith(" " * 37) for each in lines[1:])


def test_no_kind_is_forgotten() -> None:
    """The table above names each kind that there is."""
    assert set(Kind) == {kind for kind, _, _ in CASES}


@pytest.mark.parametrize("width", [60, 80, 120])
def test_what_a_batch_says_fits_any_screen(width: int) -> None:
    """The events of a real story, too, with a short time."""
    entries = mixed(31.5).silence(6).still(5).refilled().play()
    events = [each for each in entries if isinstance(each, Event)]

    assert len(events) > 20
    for event in events:
        text = listing(event, UTC, "%H:%M:%S", width)
        assert max(map(len, text.splitlines())) <= width


@pytest.mark.parametrize("kind, facts, expected", CASES)
def test_an_event_is_one_line_of_json(kind: Kind, facts: dict[str, JSON], expected: str) -> None:
    """Time, reservoir, batch and kind, and then every fact."""
    text = json_line(event_payload(Event("mix-1", NOON, "b-1", body_of(kind, facts))))

    assert "\n" not in text
    assert {
        "time": "2026-03-02T12:34:56.000Z",
        "reservoir": "mix-1",
        "batch": "b-1",
        "kind": str(kind),
        **facts,
    } == json.loads(text)


@pytest.mark.parametrize(
    "alarms, expected",
    [([], "none"), (["batch-stale"], "batch-stale"), (["a", "b"], "a, b")],
)
def test_the_alarms_of_a_snapshot_are_named(alarms: JSON, expected: str) -> None:
    """Or "none", which is a word too."""
    assert expected == alarm_names(a_snapshot(alarms=alarms))


@pytest.mark.parametrize("alarms, named", [([], "none"), (["salt-low"], "salt-low")])
def test_an_alarm_that_returned_unacknowledged_is_counted(alarms: JSON, named: str) -> None:
    """A person has yet to acknowledge it, so that "none" alone would hide it."""
    gone: JSON = {"state": "returned-unacknowledged"}
    details: JSON = {"batch-stale": gone, "salt-low": {"state": "unacknowledged"}}

    assert f"{named} (1 returned unacknowledged)" == alarm_names(
        a_snapshot(alarms=alarms, alarm_details=details)
    )


@pytest.mark.parametrize(
    "zone, head, clock",
    [
        ("Europe/Berlin", "2026-03-29 03:30:00 CEST  forecast", "expected steady 03:45 CEST"),
        ("Pacific/Chatham", "2026-03-29 15:15:00 UTC+13:45  forecast", "15:30 UTC+13:45"),
    ],
)
def test_times_are_local_with_the_zone_named(zone: str, head: str, clock: str) -> None:
    """That of the event, and those that it speaks of; half an hour after the clock was changed."""
    at = Instant(datetime(2026, 3, 29, 1, 30, tzinfo=UTC), 0.0)
    facts: dict[str, JSON] = {
        "final_salinity": 34.0,
        "final_u": 0.1,
        "remaining": 0.4,
        "stable_at": "2026-03-29T01:45:00.000Z",
        "stable_at_low": "2026-03-29T01:40:00.000Z",
        "stable_at_high": None,
    }
    lines = listing(
        Event("mix-1", at, "b-1", body_of(Kind.FORECAST, facts)), ZoneInfo(zone)
    ).splitlines()

    assert lines[0].startswith(head)
    assert clock in " ".join(" ".join(lines).split())
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("more", [{}, {"of_another_version": 1}])
def test_a_release_comes_with_its_caution_whichever_version_wrote_it(
    more: dict[str, JSON],
) -> None:
    """Also where the event has facts that this version has no words for."""
    facts: dict[str, JSON] = {"from": "verifying", "to": "ready", "why": "within limits", **more}
    lines = listing(Event("mix-1", NOON, "b-1", body_of(Kind.PHASE, facts)), UTC)

    assert INDEPENDENT_CHECK in " ".join(lines.split())
