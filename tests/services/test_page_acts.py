"""An alarm acknowledged over the page of the running service, by the form that it shows."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

from daemon.entries import Kind
from tests.conftest import find_free_port, wait_until
from tests.page.acting_parts import FORM, forms, post
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
        page_after(first, "probe-fault is acknowledged now")
        again = page_after(first, "probe-fault is acknowledged now")
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


def test_a_token_from_a_file_opens_the_page_across_a_restart(tmp_path: Path) -> None:
    """Signed in once, a browser acts under both processes; the token is in no log and no file."""
    port, token = find_free_port(), "granite-wharf-27-lantern"
    (tmp_path / "page-token").write_text(f"{token}\n")
    (tmp_path / "page-token").chmod(0o600)
    keys = 'commands = ["alarm.acknowledge", "lot.add"]\ntoken_file = "page-token"'
    station = Station(tmp_path, speed=60.0, more=f"{page_on(port)}\n{keys}")

    def page(cookie: str) -> dict[str, dict[str, str]]:
        return forms(ask(port, "/act", headers={"Cookie": cookie}).text)

    def form(cookie: str, name: str) -> dict[str, str]:
        wait_until(lambda: "acknowledge" in page(cookie), "measuring")
        return page(cookie)["lot-add"] | {"who": "kim", "name": name, "bought_g": "25 kg"}

    def add(cookie: str, fields: dict[str, str]) -> None:
        where = post(port, fields, Cookie=cookie).headers["Location"].partition("#")[0]
        words = f"{fields['name']} added"
        wait_until(lambda: words in ask(port, where).text, words)

    with running("run", "daemon.run", "--config", str(station.config), folder=tmp_path) as first:
        wait_until(lambda: answers(port), "the page")
        signed = ask(port, "/sign-in", "POST", FORM, urlencode({"token": token}).encode())
        cookie = signed.headers["Set-Cookie"].partition(";")[0]
        stranger = post(port, form(cookie, "never"))
        add(cookie, form(cookie, "before"))
        open_meanwhile = form(cookie, "after")
        assert first.stop() == 0
    with running("again", "daemon.run", "--config", str(station.config), folder=tmp_path) as again:
        wait_until(lambda: answers(port), "the page")
        add(cookie, open_meanwhile)
        assert again.stop() == 0

    assert (303, 401) == (signed.status, stranger.status)
    assert ["before", "after"] == [facts_in(each)["name"] for each in station.events(Kind.COMMAND)]
    assert token not in "\n".join([*first.output_lines, *again.output_lines])
    assert token.encode() not in b"".join(each.read_bytes() for each in tmp_path.glob("*.db*"))
    for each in (first, again):
        assert_plain_speech(each)
