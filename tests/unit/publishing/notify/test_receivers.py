"""The file of who is told: what its lines mean, and sentences that give nothing away."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.mixing.alarm.catalogue import Priority
from daemon.publishing.notify.delivery import LONGEST, AppriseDelivery, open_deliveries
from daemon.publishing.notify.news import MessageKind
from daemon.publishing.notify.notice import AlarmNotice, NoticeState
from daemon.publishing.notify.receivers import Receiver, read_receivers
from daemon.publishing.sink import SinkError
from tests.services.notify_parts import write_urls

RESERVOIRS = ("mix-1", "mix-2")
SECRET = "Tr0ub4dor"
NOW = datetime(2026, 3, 3, tzinfo=UTC)


def read(folder: Path, *lines: str) -> tuple[Receiver, ...]:
    """What a file of these lines means."""
    return read_receivers(write_urls(folder, *lines), RESERVOIRS)


def fault(folder: Path, *lines: str) -> str:
    """The sentence that a file of these lines earns, by the reader or by the library."""
    with pytest.raises(SinkError) as caught:
        open_deliveries(read(folder, *lines))
    return str(caught.value)


def about(priority: Priority, reservoir: str) -> AlarmNotice:
    """An alarm."""
    return AlarmNotice(1, reservoir, "probe-fault", priority, NoticeState.ACTIVE, NOW)


def test_lines_say_who_gets_what(tmp_path: Path) -> None:
    """Comments and empty lines count as lines; words may stand in any order."""
    first, second, third = read(
        tmp_path,
        "# the keepers",
        "",
        "json://127.0.0.1/a",
        "  mix-1 high\tmedium   json://127.0.0.1/b  ",
        "mix-2 json://127.0.0.1/c",
    )

    assert [3, 4, 5] == [first.line, second.line, third.line]
    assert "json on line 4 of receivers" == second.label
    wishes = [
        [each.accepts(about(priority, reservoir)) for each in (first, second, third)]
        for priority, reservoir in [
            (Priority.HIGH, "mix-1"),
            (Priority.LOW, "mix-1"),
            (Priority.HIGH, "mix-2"),
            (Priority.MEDIUM, ""),
            (Priority.LOW, ""),
        ]
    ]
    assert [
        [True, True, False],
        [True, False, False],
        [True, False, True],
        [True, True, True],
        [True, False, True],
    ] == wishes


@pytest.mark.parametrize(
    "words, priorities, kinds",
    [
        ("", [*Priority], [*MessageKind]),
        ("mix-1", [*Priority], [*MessageKind]),
        ("any-hour", [*Priority], [*MessageKind]),
        ("high medium", [Priority.HIGH, Priority.MEDIUM], []),
        ("released due", [], [MessageKind.RELEASED, MessageKind.DUE]),
        ("mix-2 off-target high", [Priority.HIGH], [MessageKind.OFF_TARGET]),
    ],
)
def test_a_line_selects_by_priority_or_by_kind(
    tmp_path: Path, words: str, priorities: list[Priority], kinds: list[MessageKind]
) -> None:
    """What one of them selects, and everything where the line has neither."""
    (one,) = read(tmp_path, f"{words} json://127.0.0.1/a")

    assert (frozenset(priorities), frozenset(kinds)) == (one.priorities, one.kinds)
    assert one.any_hour == (words == "any-hour")


def test_an_alarm_of_a_kind_is_selected_by_either(tmp_path: Path) -> None:
    """By its priority, by its kind, and of the reservoirs of the line alone."""
    lines = ("medium json://h/1", "off-target json://h/2", "due json://h/3", "low json://h/4")
    receivers = read(tmp_path, *lines, "mix-2 off-target json://h/5")
    off_target = replace(about(Priority.MEDIUM, "mix-1"), name="batch-off-target")

    assert [True, True, False, False, False] == [each.accepts(off_target) for each in receivers]
    assert [frozenset(), {MessageKind.OFF_TARGET}] == [
        receivers[4].kinds_of(reservoir) for reservoir in RESERVOIRS
    ]


@pytest.mark.parametrize(
    "line, said",
    [
        (
            f"hihg json://u:{SECRET}@h",
            "has as word 1 neither a priority, a kind nor a reservoir; the",
        ),
        (
            f"{SECRET} json://h/{SECRET}",
            "has as word 1 neither a priority, a kind nor a reservoir; known",
        ),
        (f"mailto:{SECRET}@example.org", "holds no address such as mailtos://..."),
        (SECRET, "holds no address"),
        (f"json://h/{SECRET} high", "goes on behind the address"),
        (f"json://h/{SECRET} json://i/{SECRET}", "holds two addresses"),
        (f"nosuch://{SECRET}", "is no address that Apprise can use; check the name of the service"),
        (f"mailto://{SECRET}", "is no address that Apprise can use"),
    ],
)
def test_a_wrong_line_is_named_by_its_number_without_its_address(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], line: str, said: str
) -> None:
    """One sentence with file and line; nothing of the address is told anywhere."""
    sentence = fault(tmp_path, "# who", line)

    assert f"{tmp_path}/receivers, line 2 {said}" in sentence
    assert SECRET not in sentence + "".join(capfd.readouterr())


def test_all_wrong_lines_are_named_at_once(tmp_path: Path) -> None:
    """Nobody corrects one only to learn of the next."""
    sentence = fault(tmp_path, "hig json://h/1", "json://h/2", "json://h/2", "nothing")

    assert ["line 1", "line 3", "line 4"] == [
        f"line {n}" for n in range(1, 5) if f"line {n} h" in sentence
    ]
    assert "has the address of line 2 again" in sentence


def test_a_file_that_names_nobody_is_a_fault(tmp_path: Path) -> None:
    """Whoever asks to be told must say who."""
    assert "names nobody; write an address into it" in fault(tmp_path, "# nobody yet")


def test_a_file_that_others_may_read_is_a_fault(tmp_path: Path) -> None:
    """It holds passwords."""
    path = write_urls(tmp_path, f"json://{SECRET}")
    path.chmod(0o640)
    with pytest.raises(SinkError, match=r"notify\.urls_file: others .*'chmod 600"):
        read_receivers(path, RESERVOIRS)


def test_a_file_that_is_not_there_or_not_text_is_a_fault(tmp_path: Path) -> None:
    """Each with its reason."""
    with pytest.raises(SinkError, match="No such file"):
        read_receivers(tmp_path / "nothing", RESERVOIRS)
    path = write_urls(tmp_path, "x")
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SinkError, match="not UTF-8"):
        read_receivers(path, RESERVOIRS)


def test_a_receiver_keeps_its_ledger_when_its_words_or_its_place_change(tmp_path: Path) -> None:
    """Only another address is another receiver; the key does not hold the address."""
    (before,) = read(tmp_path, f"high json://h/{SECRET}")
    after = read(tmp_path, "json://h/x", f"mix-1 json://h/{SECRET}")

    assert before.key == after[1].key
    assert after[0].key != after[1].key
    assert SECRET not in before.key + repr(before)


def test_a_long_reason_is_cut_after_the_address_was_hidden() -> None:
    """Wherever in it the address stands: half of a secret is one too."""
    receiver = Receiver(Path("receivers"), 1, f"json://127.0.0.1:9/{SECRET}")

    def error_text(before: int) -> str:
        delivery = AppriseDelivery(receiver, lambda _: f"{'x' * before}{SECRET}")
        with pytest.raises(SinkError) as caught:
            delivery.send("title", "body", "info")
        return str(caught.value)

    assert not any(SECRET[:3] in error_text(before) for before in range(100, 320))
    assert len(error_text(1000)) <= LONGEST


def test_addresses_that_cannot_be_checked_are_taken_and_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A machine short of memory just now is no reason to publish nothing."""
    receivers = read(tmp_path, f"json://h/{SECRET}")
    monkeypatch.setattr(sys, "executable", str(tmp_path / "nothing"))

    assert list(receivers) == list(open_deliveries(receivers))
    assert "could not be checked: the process that sends it cannot be started" in caplog.text
    assert SECRET not in caplog.text


WORD = st.text("abcdefgh0123456789", min_size=3, max_size=12)


@given(user=WORD, password=WORD, host=WORD, token=WORD, before=WORD)
def test_no_piece_of_an_address_gets_through(
    user: str, password: str, host: str, token: str, before: str
) -> None:
    """Whatever a library says with it in it, encoded or not."""
    url = f"json://{user}:{password}%40x@{host}/{token}?key={token}"
    receiver = Receiver(Path("receivers"), 1, url)
    said = f"no {url}, {password}@x by {user} at {host}: http://{host}/{token}?key={token}"

    told = receiver.redacted(said)

    assert [] == [piece for piece in (user, password, host, token) if piece in told]
