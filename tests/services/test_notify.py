"""Notifications through real receivers on loopback: a mail server and an HTTP server."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.journal.cursors import Cursors
from daemon.publishing.notify.policy import NotificationPolicy
from daemon.publishing.notify.publisher import MOST_UNANSWERED, UNANSWERED_AFTER_S
from daemon.publishing.sink import SinkError, follow
from tests.conftest import wait_until
from tests.services.notify_parts import Clocks, Desk, Hook, Mailbox, alarm, hooked, mailing

MINUTE = timedelta(minutes=1)


@pytest.fixture
def hook() -> Iterator[Hook]:
    """An HTTP server that is up."""
    with hooked() as one:
        yield one


@pytest.fixture
def make_desk(tmp_path: Path) -> Iterator[Callable[..., Desk]]:
    """A function that gives the sink with its journal."""
    made: list[Desk] = []

    def make(*lines: str, policy: NotificationPolicy | None = None) -> Desk:
        made.append(Desk(tmp_path, lines, policy=policy or NotificationPolicy()))
        return made[-1]

    yield make
    for desk in made:
        desk.sink.close()


def test_an_alarm_reaches_a_mailbox_in_plain_words(make_desk: Callable[..., Desk]) -> None:
    """The mail says what is wrong, where, why, since when by the local clock, and what to do."""
    with mailing() as box:
        desk = make_desk(box.url, policy=NotificationPolicy(zone=ZoneInfo("Europe/Lisbon")))
        desk.happen(
            alarm(5, why="no answer from /dev/ttyUSB0 for 61 s: look at the <cable> & plug")
        )
        desk.settle()
        (mail,) = box.mails

    assert "mix-1: probe-fault (medium)" == mail["Subject"]
    assert "keeper@example.org" in str(mail["To"])
    assert "text/plain" == mail.get_content_type()
    assert [
        "The probe gives no value, or one that cannot be true.",
        "",
        "Alarm: probe-fault",
        "Where: reservoir mix-1",
        "Priority: medium",
        "Why: No answer from /dev/ttyUSB0 for 61 s: look at the <cable> & plug.",
        "Since: 2031-05-04 10:00 WEST",
        (
            "Do: Unplug first what runs on mains in that water, then check that the probe is wet,"
            " connected and of the configured kind."
        ),
        "Otherwise: The water is not monitored, and no batch is judged.",
        "",
        "Station quarantine-wing, 2031-05-04 10:00 WEST",
    ] == mail.get_content().splitlines()


@pytest.mark.parametrize("restarted", [False, True], ids=["running", "restarted"])
@pytest.mark.parametrize("away", ["web", "mail"])
def test_a_receiver_that_was_down_for_an_hour_gets_it_late_and_once(
    make_desk: Callable[..., Desk],
    hook: Hook,
    monkeypatch: pytest.MonkeyPatch,
    away: str,
    restarted: bool,  # noqa: FBT001 - a row of the table above
) -> None:
    """The other one is told at once and not again, and publishing may have been restarted."""
    # The library would let real seconds pass between two mails of this hour of the test's clock.
    monkeypatch.setattr("apprise.plugins.base.NotifyBase.request_rate_per_sec", 0)
    with mailing() as box:
        down: Hook | Mailbox = hook if away == "web" else box
        desk = make_desk(
            box.url, hook.url, policy=NotificationPolicy(repeat_every=timedelta(hours=3))
        )
        down.down()
        desk.happen(alarm(5, priority="high"))
        for _ in range(61):
            desk.settle()
            desk.clocks.pass_by(MINUTE)
        if restarted:
            desk.restart()
        down.up()
        desk.happen(alarm(3661, state="acknowledged"))
        desk.clocks.pass_by(MINUTE)
        desk.settle()
        desk.clocks.pass_by(2 * MINUTE)
        desk.settle()

        mails = [(str(mail["Subject"]), str(mail.get_content())) for mail in box.mails]

    posts = [*zip(hook.titles, hook.bodies, strict=True)]
    (late,), (prompt,) = (posts, mails) if away == "web" else (mails, posts)
    assert "late: mix-1: probe-fault (high)" == late[0]
    assert "This comes late: it happened 1 h 1 min ago." in late[1]
    assert "Now: acknowledged" in late[1]
    assert "mix-1: probe-fault (high)" == prompt[0]


def test_it_is_reported_again_until_acknowledged(
    make_desk: Callable[..., Desk], hook: Hook
) -> None:
    """Every half hour, across a restart too."""
    desk = make_desk(hook.url)
    desk.happen(alarm(5, priority="high"))
    for _ in range(65):
        desk.settle()
        desk.clocks.pass_by(MINUTE)
        if len(hook.posts) == 2:
            desk.restart()
    desk.happen(alarm(3905, state="acknowledged", who="kim"))
    desk.clocks.pass_by(120 * MINUTE)
    desk.settle()

    assert ["mix-1: probe-fault (high)"] + 2 * ["mix-1: probe-fault is still active"] == hook.titles
    assert "It is repeated every 30 min" in hook.bodies[0]


def test_a_storm_is_folded(make_desk: Callable[..., Desk], hook: Hook) -> None:
    """Forty alarms in a minute are three messages in the hour, and the fourth names what waits."""
    desk = make_desk(hook.url, policy=NotificationPolicy(at_most_per_h=3))
    desk.settle()
    for number in range(40):
        desk.happen(alarm(number, f"alarm-{number}"))
        desk.settle()
    desk.clocks.pass_by(59 * MINUTE)
    desk.settle()
    assert 3 == len(hook.posts)
    desk.clocks.pass_by(2 * MINUTE)
    desk.settle()

    assert 4 == len(hook.posts)
    assert "late: mix-1: alarm-3 (medium) and 36 more" == hook.titles[3]
    assert "34 more:\n- mix-1: alarm-6 (medium), since" in hook.bodies[3]
    told = "\n".join(hook.bodies)
    assert [] == [
        number
        for number in range(40)
        if f"Number {number}." not in told and f"number {number}\n" not in told + "\n"
    ]


def test_each_is_told_what_its_line_asks_for(make_desk: Callable[..., Desk], hook: Hook) -> None:
    """By priority and reservoir; what is the station's is told whatever the reservoir."""
    with hooked() as other:
        desk = make_desk(f"high mix-2 {hook.url}", f"medium mix-1 {other.url}")
        desk.happen(
            alarm(1, "a", reservoir="mix-2", priority="high"),
            alarm(2, "b", reservoir="mix-1", priority="high"),
            alarm(3, "c", reservoir="", priority="high"),
            alarm(4, "d", reservoir="mix-1", priority="medium"),
            alarm(5, "e", reservoir="mix-1", priority="low"),
        )
        desk.settle()
        assert ["mix-2: a (high) and 1 more"] == hook.titles
        assert "\nAlarm: c\nWhere: the station\n" in hook.bodies[0]
        assert ["mix-1: d (medium)"] == other.titles


def test_a_new_receiver_gets_what_is_active(make_desk: Callable[..., Desk], hook: Hook) -> None:
    """And not of what was over before; the others are told nothing again."""
    desk = make_desk(hook.url)
    desk.happen(alarm(1, "a"), alarm(2, "a", "cleared"), alarm(3, "b"))
    desk.settle()
    before = len(hook.posts)
    with hooked() as other:
        desk.lines = (hook.url, other.url)
        desk.restart()
        desk.settle()

        assert ["mix-1: b (medium)"] == other.titles
    assert before == len(hook.posts)


def _at_work(name: str) -> bool:
    return any(each.name == name for each in threading.enumerate())


def _notification_count(desk: Desk, hook: Hook) -> int:
    desk.sink.deliver([])
    return len(hook.posts)


def ours(caplog: pytest.LogCaptureFixture) -> list[logging.LogRecord]:
    """What reaches the service's log; pytest hears also loggers that pass nothing on."""
    assert not logging.getLogger("apprise").propagate
    return [each for each in caplog.records if each.name.startswith("brinewright")]


def test_a_receiver_that_never_answers_holds_up_nobody(
    make_desk: Callable[..., Desk], hook: Hook, caplog: pytest.LogCaptureFixture
) -> None:
    """The cursor moves, the others are told, and what hangs is left alone; no address is logged."""
    with hooked() as deaf:
        deaf.silence.set()
        desk = make_desk(hook.url, deaf.url)
        with caplog.at_level(logging.INFO), Cursors(desk.folder / "cursors.db") as cursors:
            desk.happen(alarm(1, "a"))
            assert 1 == follow(desk.reader, cursors, desk.sink)
            wait_until(lambda: hook.titles == ["mix-1: a (medium)"], "the one that answers")
            wait_until(lambda: not _at_work("notify-1"), "its answer to be back")
            for _ in range(MOST_UNANSWERED + 2):
                desk.clocks.pass_by(timedelta(seconds=UNANSWERED_AFTER_S + 61))
                desk.sink.deliver([])
            desk.happen(alarm(900, "b"))
            wait_until(lambda: _notification_count(desk, hook) == 2, "the second")
        deaf.down()

    said = [each.getMessage() for each in ours(caplog)]
    assert MOST_UNANSWERED == len(said)
    assert all("json on line 2 of receivers fails" in line for line in said)
    assert all("no answer within 90 s" in line for line in said)
    assert "topsecret" not in "\n".join(said)


def test_what_refuses_is_tried_again_and_logged_without_its_address(
    make_desk: Callable[..., Desk], hook: Hook, caplog: pytest.LogCaptureFixture
) -> None:
    """One line when it starts, one when it ends; nothing of the library gets past it."""
    hook.status = 503
    desk = make_desk(hook.url)
    with caplog.at_level(logging.INFO):
        desk.happen(alarm(1, "a"))
        desk.settle()
        for _ in range(3):
            desk.clocks.pass_by(timedelta(seconds=5))
            desk.settle()
        hook.status = 200
        desk.clocks.pass_by(MINUTE)
        desk.settle()

    assert ["mix-1: a (medium)"] == hook.titles
    first, last = ours(caplog)
    assert "error=503; what waits (1) goes later" in first.getMessage()
    assert "works again" in last.getMessage()
    assert "topsecret" not in first.getMessage() + last.getMessage()


@pytest.mark.parametrize("from_byte", [0, 4096], ids=["no database", "torn pages"])
def test_without_its_file_what_is_active_is_sent_again(
    make_desk: Callable[..., Desk], hook: Hook, caplog: pytest.LogCaptureFixture, from_byte: int
) -> None:
    """A broken file is moved aside; rather told twice than not at all."""
    desk = make_desk(hook.url)
    desk.happen(alarm(1, "a"), alarm(2, "b"), alarm(3, "b", "cleared"))
    desk.settle()
    desk.sink.close()
    before = len(hook.posts)
    path = desk.folder / "journal-notices.db"
    whole = path.read_bytes()
    path.write_bytes(whole[:from_byte] + b"not a database " * 1000)
    desk.restart()
    desk.settle()

    assert ["mix-1: a (medium)"] == hook.titles[before:]
    assert (desk.folder / "journal-notices.db.broken").exists()
    assert "was moved to" in caplog.text


def test_a_record_of_another_version_is_begun_again(
    make_desk: Callable[..., Desk], hook: Hook, caplog: pytest.LogCaptureFixture
) -> None:
    """What cannot be read is said, and what stands is told."""
    desk = make_desk(hook.url)
    desk.happen(alarm(1, "a"))
    desk.settle()
    desk.sink.close()
    with closing(sqlite3.connect(desk.folder / "journal-notices.db")) as db, db:
        db.execute("UPDATE ledgers SET ledger = '{}'")
    desk.restart()
    desk.settle()

    assert 2 * ["mix-1: a (medium)"] == hook.titles
    assert "one record is of another version" in caplog.text


def test_what_cannot_be_noted_down_is_reported_all_the_same_and_once(
    make_desk: Callable[..., Desk], hook: Hook
) -> None:
    """A full or lost disk silences no alarm; the cursor waits until it is noted down."""
    desk = make_desk(hook.url)
    desk.settle()
    path = desk.folder / "journal-notices.db"
    path.rename(path.with_name("away"))
    with pytest.raises(SinkError, match="was taken away"):
        desk.happen(alarm(1, "a"))
    wait_until(desk.sink.pressing, "an answer")
    path.with_name("away").rename(path)
    desk.follow()
    desk.settle()
    desk.restart()
    desk.settle()

    assert ["mix-1: a (medium)"] == hook.titles


def test_another_journal_ends_what_the_old_one_began(
    make_desk: Callable[..., Desk], hook: Hook
) -> None:
    """What was raised in a journal that was moved away is not told again for ever."""
    desk = make_desk(hook.url)
    desk.happen(alarm(1, "a", priority="high"))
    desk.settle()
    desk.begin_a_new_journal()
    desk.happen(alarm(100, "b"))
    desk.settle()
    for _ in range(3):
        desk.clocks.pass_by(31 * MINUTE)
        desk.settle()

    assert ["mix-1: a (high)", "mix-1: b (medium)"] == hook.titles


def test_clocks_move_by_hand() -> None:
    """Both clocks of these tests move together."""
    clocks = Clocks()
    before = clocks.now
    clocks.pass_by(MINUTE)

    assert (before + MINUTE, 1060.0) == (clocks.wall(), clocks.clock())
