"""An alarm acknowledged over the page of the running service, by the form that it shows."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

from daemon.entries import Kind
from tests.conftest import find_free_port, wait_until
from tests.page.acting_parts import forms, post
from tests.page.page_parts import ask
from tests.parts.events import facts_in
from tests.services.service_parts import Station, assert_plain_speech, running
from tests.services.test_page_process import answers, page_on

VERBS = 'commands = ["alarm.acknowledge", "alarm.shelve", "alarm.unshelve", "lot.adjust"]'


def test_an_alarm_is_acknowledged_and_put_aside_over_the_page(tmp_path: Path) -> None:
    """Nothing is plugged in: the page offers what the alarm allows, once each, and tells answers.

    The journal has it with the name that was typed and that it came by the page.
    """
    port = find_free_port()
    station = Station(tmp_path, speed=60.0, more=f"{page_on(port)}\n{VERBS}")

    def page_after(fields: dict[str, str], words: str) -> str:
        where = post(port, fields).headers["Location"].partition("#")[0]
        wait_until(lambda: words in unescape(ask(port, where).text), words)
        return unescape(ask(port, where).text)

    def offered(kind: str) -> dict[str, str]:
        wait_until(lambda: kind in forms(ask(port, "/act").text), kind)
        return forms(ask(port, "/act").text)[kind] | {"who": "kim"}

    with running("run", "daemon.run", "--config", str(station.config), folder=tmp_path) as process:
        wait_until(lambda: answers(port), "the page")
        first = offered("acknowledge")
        page_after(first, "Probe-fault is acknowledged now")
        again = page_after(first, "Probe-fault is acknowledged now")
        long = post(port, offered("shelve") | {"hours": "100", "reason": "a new cable"})
        unknown = page_after(offered("lot-adjust") | {"name": "mix <B>", "left_g": "1,5 kg"}, "Not")
        page_after(offered("shelve") | {"hours": "30 min", "reason": "cable"}, "is shelved until")
        offered("unshelve")
        assert process.stop() == 0

    assert "counts once" in again
    assert (400, True) == (long.status, "100 is outside 1 min to 72 h" in long.text)
    assert "Not done: There is no lot 'mix <B>'" in re.sub(r"<[/a-z][^>]*>", "", unknown)
    assert 'value="1500"' in unknown
    assert [
        ("alarm.acknowledge", "kim", "page", True),
        ("lot.adjust", "kim", "page", False),
        ("alarm.shelve", "kim", "page", True),
    ] == [
        tuple(facts_in(each)[name] for name in ("verb", "who", "via", "ok"))
        for each in station.events(Kind.COMMAND)
    ]
    assert_plain_speech(process)
