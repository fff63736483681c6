"""An alarm acknowledged over the page of the running service, by the form that it shows."""

from __future__ import annotations

from pathlib import Path

from daemon.entries import Kind
from tests.conftest import find_free_port, wait_until
from tests.page.acting_parts import forms, post
from tests.page.page_parts import ask
from tests.parts.events import facts_in
from tests.services.service_parts import Station, assert_plain_speech, running
from tests.services.test_page_process import answers, page_on

VERBS = 'commands = ["alarm.acknowledge", "alarm.shelve", "alarm.unshelve"]'


def test_an_alarm_is_acknowledged_and_put_aside_over_the_page(tmp_path: Path) -> None:
    """Nothing is plugged in: the page offers what the alarm allows, once each, and tells answers.

    The journal has it with the name that was typed and that it came by the page.
    """
    port = find_free_port()
    station = Station(tmp_path, speed=60.0, more=f"{page_on(port)}\n{VERBS}")

    def page_after(fields: dict[str, str], words: str) -> str:
        where = post(port, fields).headers["Location"]
        wait_until(lambda: words in ask(port, where).text, words)
        return ask(port, where).text

    def offered(verb: str) -> dict[str, str]:
        wait_until(lambda: verb in forms(ask(port, "/act").text), verb)
        return forms(ask(port, "/act").text)[verb] | {"who": "kim"}

    with running("run", "daemon.run", "--config", str(station.config), folder=tmp_path) as process:
        wait_until(lambda: answers(port), "the page")
        reservoir_view = offered("alarm.acknowledge")
        page_after(reservoir_view, "probe-fault is acknowledged now")
        again = page_after(reservoir_view, "probe-fault is acknowledged now")
        shelf = offered("alarm.shelve") | {"hours": "100", "reason": "a new cable is ordered"}
        page_after(shelf, "Not done")
        wrong = page_after(shelf, "hours = 100 is outside 1 min to 72 h")
        page_after(offered("alarm.shelve") | {"hours": "3", "reason": "cable"}, "is shelved until")
        offered("alarm.unshelve")
        assert process.stop() == 0

    assert "counts once" in again
    assert "Not done" in wrong
    assert [
        ("alarm.acknowledge", "kim", "page", True),
        ("alarm.shelve", "kim", "page", False),
        ("alarm.shelve", "kim", "page", True),
    ] == [
        tuple(facts_in(each)[name] for name in ("verb", "who", "via", "ok"))
        for each in station.events(Kind.COMMAND)
    ]
    assert_plain_speech(process)
