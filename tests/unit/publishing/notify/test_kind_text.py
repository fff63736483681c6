"""The messages that people wait for: a title that says all, and what to do, word for word."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from daemon.entries import Phase
from daemon.mixing.alarm.catalogue import Priority
from daemon.mixing.batch.advice import Vessel, correction
from daemon.mixing.cautions import INDEPENDENT_CHECK, UNPLUG_FIRST
from daemon.publishing.notify.formatter import LONGEST_TITLE, Formatter
from daemon.publishing.notify.news import DueStart, News, Released, WaterChange, Withdrawn
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.policy import Notification, NotificationKind, QueuedChange

MONDAY = datetime(2026, 3, 2, 9, 40, tzinfo=UTC)
FORMATTER = Formatter("quarantine-wing", ZoneInfo("Europe/Lisbon"))
BATCH = "mix-1-20260302-1"
READY = WaterChange(
    7,
    "mix-1",
    BATCH,
    Phase.READY,
    MONDAY,
    why="34.02 ± 0.14 ppt (k=2) is within 33 to 35 ppt",
    salinity=34.018,
    salinity_u=0.0702,
    use_by=MONDAY + timedelta(hours=24),
)
REFUSED = replace(
    READY,
    phase=Phase.OFF_TARGET,
    why="32.10 ± 0.14 ppt (k=2) is outside 33 to 35 ppt",
    salinity=32.1,
    use_by=None,
)
DUE = DueStart(8, "mix-1", MONDAY, MONDAY + timedelta(minutes=60), MONDAY + timedelta(hours=2), 60)
UNDECIDED = (
    "33.20 ± 0.42 ppt (k=2) is not surely within 33 to 35 ppt: clean the probe and check it in a"
    " reference solution ('brinewright calibrate check'); or add about 78.0 g of salt mix, which"
    " makes 33.56 ppt"
)
ADVICE = correction(32.1, 34.0, Vessel(180.0, 220.0, 0.881)).advice


def message(*items: News | AlarmNotice) -> Notification:
    """A notification of these."""
    return Notification(
        NotificationKind.CHANGE,
        tuple(QueuedChange(each, MONDAY) for each in items if isinstance(each, AlarmNotice)),
        news=tuple(each for each in items if not isinstance(each, AlarmNotice)),
    )


def alarm(name: str, why: str, water: WaterChange | None = READY) -> AlarmNotice:
    """An alarm of a batch, raised now."""
    return AlarmNotice(
        9,
        "mix-1",
        name,
        Priority.MEDIUM,
        NoticeState.ACTIVE,
        MONDAY,
        why=why,
        batch=BATCH,
        water=water,
    )


def test_a_release_is_one_glance() -> None:
    """Reservoir, what, the salinity with its ±, and until when, with the zone."""
    sent = message(Released(READY))

    assert "mix-1: released, 34.02 ± 0.14 ppt, use by Tue 09:40 WET" == (
        FORMATTER.title(sent, MONDAY)
    )
    assert [
        "The water is released.",
        "",
        "Where: reservoir mix-1, batch mix-1-20260302-1",
        "Why: 34.02 ± 0.14 ppt (k=2) is within 33 to 35 ppt.",
        "Released: Mon 2026-03-02 09:40 WET",
        "Use by: Tue 2026-03-03 09:40 WET",
        "Do: Check with an independent instrument before animals meet it.",
        "When used: brinewright batch use --reservoir mix-1",
        "",
        "Station quarantine-wing, 2026-03-02 09:40 WET",
    ] == FORMATTER.body(sent, MONDAY).splitlines()


def test_times_are_local_with_their_zone_across_the_change_to_summer() -> None:
    """Released in the evening before clocks change, it is to be used by an hour more."""
    evening = datetime(2026, 3, 28, 20, 0, tzinfo=UTC)
    change = replace(READY, at=evening, use_by=evening + timedelta(hours=24))

    assert "use by Sun 21:00 WEST" in FORMATTER.title(message(Released(change)), evening)
    assert "Released: Sat 2026-03-28 20:00 WET" in FORMATTER.body(
        message(Released(change)), evening
    )


def test_a_use_by_in_weeks_is_a_date() -> None:
    """A weekday would be of the wrong week."""
    change = replace(READY, use_by=MONDAY + timedelta(days=30))

    assert "use by 2026-04-01 10:40 WEST" in FORMATTER.title(message(Released(change)), MONDAY)


def test_a_release_by_an_early_version_says_what_it_knows() -> None:
    """Its event has no figures apart from the reason."""
    change = replace(READY, salinity=None, salinity_u=None, use_by=None)
    sent = message(Released(change))

    assert "mix-1: released" == FORMATTER.title(sent, MONDAY)
    assert "Why: 34.02 ± 0.14 ppt (k=2) is within 33 to 35 ppt." in FORMATTER.body(sent, MONDAY)
    assert "Use by" not in FORMATTER.body(sent, MONDAY)


def test_an_uncertainty_that_nobody_knows_is_no_zero() -> None:
    """It is said to be unknown."""
    sent = message(Released(replace(READY, salinity_u=None)))

    assert "released, 34.02 ± unknown ppt" in FORMATTER.title(sent, MONDAY)


def test_a_withdrawal_says_to_use_none_of_it() -> None:
    """And why, and which release it was."""
    left = replace(READY, phase=Phase.VERIFYING, at=MONDAY + timedelta(hours=1), why="doubt")
    sent = message(Withdrawn(READY, left))
    later = MONDAY + timedelta(hours=1, minutes=11)

    assert "mix-1: release withdrawn, use none of this water" == (FORMATTER.title(sent, later))
    assert [
        "Why: Doubt.",
        "Withdrawn: Mon 2026-03-02 10:40 WET",
        "Released before: Mon 2026-03-02 09:40 WET",
        "Do: Use none of this water until it is released again.",
    ] == FORMATTER.body(sent, later).splitlines()[3:7]


def test_a_withdrawal_of_unknown_reason_says_that() -> None:
    """As another version may have written it."""
    sent = message(Withdrawn(READY, replace(READY, phase=Phase.VERIFYING, why="")))

    assert "\nWhy: No reason was recorded.\n" in FORMATTER.body(sent, MONDAY)


def test_off_target_says_what_to_add_in_steps() -> None:
    """The figures in the title; the steps of the advice one a line, with their cautions."""
    sent = message(alarm("batch-off-target", ADVICE, REFUSED))

    assert "mix-1: off target, 32.10 ± 0.14 ppt, add 331 g of salt mix to 180 L first" == (
        FORMATTER.title(sent, MONDAY)
    )
    assert [
        "Salinity is steady and outside the limits.",
        "",
        "Alarm: batch-off-target",
        "Where: reservoir mix-1, batch mix-1-20260302-1",
        "Priority: medium",
        "Why: 32.10 ± 0.14 ppt (k=2) is outside 33 to 35 ppt.",
        "Do: Correct the batch as advised, or discard it.",
        (
            "1. Add 331 g of salt mix to 180 L first, slowly, into moving water, never water onto"
            " salt (salt dust irritates: air the room, wear gloves and eye protection)."
        ),
        "2. Wait until it is steady and judged again.",
        "3. Then the rest, 414 g in all.",
        "Since: 2026-03-02 09:40 WET",
        "Otherwise: There is no water when it is due.",
        "",
        "Station quarantine-wing, 2026-03-02 09:40 WET",
    ] == FORMATTER.body(sent, MONDAY).splitlines()


def test_ageing_says_until_when() -> None:
    """By the release that the receiver may never have been sent."""
    sent = message(alarm("batch-ageing", "to be used within 24 h of its release"))
    evening = MONDAY + timedelta(hours=20)

    assert "mix-1: ageing, use by Tue 09:40 WET" in FORMATTER.title(sent, evening)
    assert "\nUse by: Tue 2026-03-03 09:40 WET\n" in FORMATTER.body(sent, evening)
    assert INDEPENDENT_CHECK in FORMATTER.body(sent, evening).lower()


@pytest.mark.parametrize(
    "name, why, title",
    [
        (
            "batch-suspended",
            (
                "conductivity fell to that of air within 20 s, and the temperature jumped:"
                " is the probe out of the water? did you refill?"
            ),
            "mix-1: suspended, is the probe out of the water? did you refill?",
        ),
        (
            "batch-suspended",
            "kim says that the probe is out of the water; the batch goes on when it is back",
            "mix-1: suspended, kim says that the probe is out of the water",
        ),
        (
            "batch-undecided",
            UNDECIDED,
            "mix-1: undecided, 33.20 ± 0.42 ppt, clean the probe and check it in a...",
        ),
    ],
)
def test_what_sends_a_hand_to_the_probe_says_what_to_unplug(
    name: str, why: str, title: str
) -> None:
    """Once, wherever the catalogue says it or not."""
    sent = message(alarm(name, why))
    body = FORMATTER.body(sent, MONDAY)

    assert title == FORMATTER.title(sent, MONDAY)
    assert 1 == body.lower().count(UNPLUG_FIRST)


def test_undecided_says_what_would_decide_it() -> None:
    """The reason, and each act that may be enough on a line of its own."""
    body = FORMATTER.body(message(alarm("batch-undecided", UNDECIDED)), MONDAY)
    lines = body.splitlines()
    why = lines.index("Why: 33.20 ± 0.42 ppt (k=2) is not surely within 33 to 35 ppt.")

    assert lines[why + 1].startswith("Do: ")
    assert "unplug first what runs on mains in that water" in lines[why + 1]
    assert [
        "- Clean the probe and check it in a reference solution ('brinewright calibrate check').",
        "- Or add about 78.0 g of salt mix, which makes 33.56 ppt.",
    ] == lines[why + 2 : why + 4]


def test_a_due_start_says_how_much_and_both_times() -> None:
    """With what to do about the salt."""
    sent = message(DUE)

    assert "mix-1: begin 60 L by Mon 10:40 WET, due Mon 11:40 WET" == FORMATTER.title(sent, MONDAY)
    assert [
        "A batch is to be begun now to be ready when it is due.",
        "",
        "Where: reservoir mix-1",
        "Volume: 60 L",
        "Salt in by: Mon 2026-03-02 10:40 WET",
        "Ready by: Mon 2026-03-02 11:40 WET",
        (
            "Do: Fill and weigh now; the salt goes in slowly, into moving water, never water onto"
            " salt; salt dust irritates: air the room, wear gloves and eye protection."
        ),
        "",
        "Station quarantine-wing, 2026-03-02 09:40 WET",
    ] == FORMATTER.body(sent, MONDAY).splitlines()


def test_several_are_each_told_in_full_and_the_title_names_the_most_pressing() -> None:
    """What is wrong goes before what is good."""
    wrong = replace(alarm("probe-fault", "no answer", None), reservoir="mix-2")
    sent = message(Released(READY), DUE, wrong)
    body = FORMATTER.body(sent, MONDAY)

    assert "mix-2: probe-fault (medium) and 2 more" == FORMATTER.title(sent, MONDAY)
    assert re.findall("(?:Alarm|Released|Salt in by): ", body) == [
        "Alarm: ",
        "Released: ",
        "Salt in by: ",
    ]


def test_more_than_three_are_a_line_each() -> None:
    """A line is the title of that message, with the batch."""
    starts = [replace(DUE, reservoir=f"mix-{number}") for number in range(1, 5)]
    body = FORMATTER.body(message(*starts, Released(READY)), MONDAY)

    assert (
        "2 more:\n- mix-4: begin 60 L by Mon 10:40 WET, due Mon 11:40 WET\n"
        "- mix-1: released, 34.02 ± 0.14 ppt, use by Tue 09:40 WET (batch mix-1-20260302-1)\n"
    ) in body


def test_a_message_that_waited_says_so() -> None:
    """Below: its title has the time that counts, and the quiet hours make it wait every night."""
    sent, morning = message(Released(READY)), MONDAY + timedelta(hours=8)

    assert FORMATTER.title(sent, morning).startswith("mix-1: released, 34.02 ± 0.14 ppt")
    assert "This comes late: it happened 8 h 0 min ago." in FORMATTER.body(sent, morning)


@pytest.mark.parametrize("reservoir", ["mix-1", "m" * 63])
def test_every_title_fits_a_small_screen_and_keeps_the_figures(reservoir: str) -> None:
    """A long name gives way first."""
    water = replace(READY, reservoir=reservoir)
    sent: list[Notification] = [
        message(Released(water)),
        message(Withdrawn(water, water)),
        message(replace(DUE, reservoir=reservoir, volume_l=99_999.5)),
        message(replace(alarm("batch-off-target", ADVICE, REFUSED), reservoir=reservoir)),
        message(replace(alarm("batch-ageing", "x" * 900), reservoir=reservoir)),
        message(replace(alarm("batch-undecided", "x " * 900), reservoir=reservoir)),
    ]
    titles = [FORMATTER.title(each, MONDAY + timedelta(days=1)) for each in sent]

    assert all(len(title) <= LONGEST_TITLE and "\n" not in title for title in titles)
    assert "34.02 ± 0.14 ppt, use by Tue 09:40 WET" in titles[0]
    assert "by Mon 10:40 WET, due Mon 11:40 WET" in titles[2]
