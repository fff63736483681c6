"""The program that sends: what it answers, and why it ends."""

from __future__ import annotations

import logging
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.publishing.notify import sender_process
from daemon.publishing.notify.sender import LibraryLog, usable
from daemon.publishing.notify.sender_process import PROGRAM, run_sender
from daemon.publishing.sink import SinkError
from tests.conftest import find_free_port, wait_until
from tests.services.notify_parts import Hook, Mailbox, hooked, mailing

MESSAGE = {"title": "quarantine-wing: mix-1", "body": "The probe gives no value.", "kind": "info"}


@pytest.fixture
def hook() -> Iterator[Hook]:
    """An HTTP server that is up."""
    with hooked() as hook:
        yield hook


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    """A mail server that is up."""
    with mailing() as mailbox:
        yield mailbox


def test_a_message_goes_out_and_nothing_is_wrong(hook: Hook, mailbox: Mailbox) -> None:
    """By HTTP and by mail."""
    answers = [run_sender({"address": each.url, **MESSAGE}) for each in (hook, mailbox)]

    assert ["", ""] == answers
    assert [MESSAGE["title"]] == hook.titles
    assert [MESSAGE["title"]] == [each["subject"] for each in mailbox.mails]


def test_what_refuses_gives_its_reason(hook: Hook) -> None:
    """A server's answer, and that nobody listens."""
    hook.status = 503
    nobody = f"json://127.0.0.1:{find_free_port()}"

    assert "503" in str(run_sender({"address": hook.url, **MESSAGE}))
    assert "Connection refused" in str(run_sender({"address": nobody, **MESSAGE}))


def test_of_several_addresses_it_says_which_are_of_use(hook: Hook) -> None:
    """In their order, and the same in a process as here."""
    addresses = [hook.url, "nosuchservice://127.0.0.1", "json://", "forms://127.0.0.1"]

    assert [True, False, False, True] == run_sender({"addresses": [*addresses]})
    assert [True, False, False, True] == usable(addresses)


def test_one_that_hangs_is_ended(hook: Hook) -> None:
    """The receiver has it and does not answer; no process is left."""
    hook.silence.set()

    with pytest.raises(SinkError, match=r"^no answer within 0.5 s$"):
        run_sender({"address": hook.url, **MESSAGE}, within_s=0.5)


@pytest.mark.parametrize(
    "then, why",
    [("time.sleep(60)", "no answer within 1 s"), ("sys.exit()", "ended without an answer")],
)
def test_half_an_answer_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, then: str, why: str
) -> None:
    """Whether what gave it hangs then or ends: nothing is taken for delivered."""
    program = f"import sys, time\nprint('\"\"', end='', flush=True)\n{then}\n"
    (tmp_path / "half_a_sender.py").write_text(program)
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(sender_process, "PROGRAM", "half_a_sender")

    with pytest.raises(SinkError, match=why):
        run_sender({"addresses": []}, within_s=1.0)


def test_one_that_crashes_is_a_fault_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether it ended at once or could not begin."""
    monkeypatch.setattr(sender_process, "PROGRAM", "daemon.publishing.notify.nothing")
    with pytest.raises(SinkError, match="ended without an answer"):
        run_sender({"addresses": []})
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with pytest.raises(SinkError, match=r"cannot be started \(No such file or directory\)"):
        run_sender({"addresses": []})


def test_it_ends_with_the_process_that_started_it_and_not_by_that_one_s_signals(
    hook: Hook,
) -> None:
    """A release in the hands of an orphan could arrive after its own withdrawal."""
    hook.silence.set()
    with subprocess.Popen(
        [sys.executable, "-m", PROGRAM], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None
        order = f'{{"address": "{hook.url}", "title": "t", "body": "b", "kind": "info"}}\n'
        process.stdin.write(order.encode())
        process.stdin.flush()
        wait_until(lambda: hook.pending == 1, "it to send")
        process.send_signal(signal.SIGTERM)
        process.send_signal(signal.SIGINT)

        assert process.poll() is None
        process.stdin.close()
        assert process.wait(10.0) == 1


def test_the_reason_is_the_warning_and_the_error_behind_it() -> None:
    """In plain words; what is said besides is none."""
    log = LibraryLog()
    record = logging.LogRecord
    for level, text in [
        (logging.DEBUG, "Socket Exception: (x, '[Errno 111] Connection refused'))"),
        (logging.DEBUG, "Payload: something"),
        (logging.WARNING, "A Connection error occurred sending JSON."),
        (logging.INFO, "trying"),
    ]:
        log.emit(record("apprise", level, __file__, 1, text, None, None))

    assert "A Connection error occurred sending JSON: Connection refused" == log.reason()
    assert LibraryLog().reason() == ""
