"""Commands over the page: who may send one, what becomes of it, and what nobody gets through."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from urllib.parse import urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.config import ConfigError, parse
from daemon.entries import Kind
from daemon.journal.allowance import BURST, Allowance
from daemon.journal.command_format import LARGEST_BYTES
from daemon.journal.inbox import Inbox
from daemon.journal.reader import Reader
from daemon.journal.writer import Writer
from daemon.page.acts.answers import POLLS
from daemon.page.acts.command_desk import CommandDesk
from daemon.page.serving import server
from daemon.page.view import StationView
from tests.page.acting_parts import FORM, forms, post
from tests.page.page_parts import Reply, alarm_view, ask, served, site_of, station_view
from tests.parts.configurations import configuration
from tests.parts.inboxes import made
from tests.services.mqtt_parts import event

TOOL = {"Content-Type": "application/json", "X-Brinewright": "1"}
ALLOWED = ("alarm.acknowledge", "alarm.shelve", "batch.note", "batch.use")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the journal stands."""
    return tmp_path / "journal.db"


@pytest.fixture
def writer(path: Path) -> Iterator[Writer]:
    """The writer of an empty journal."""
    with Writer(path) as one:
        yield one


@pytest.fixture
def inbox(path: Path) -> Inbox:
    """The inbox beside it."""
    return made(path)


@pytest.fixture
def desk(path: Path, inbox: Inbox, writer: Writer) -> CommandDesk:
    """What takes commands; time stands still for it."""
    return CommandDesk(ALLOWED, ("mix-1",), inbox, Reader(path), clock=lambda: 0.0)


@pytest.fixture
def token(desk: CommandDesk) -> str:
    """What our own forms carry."""
    return desk.access.browser({}).form_token


@pytest.fixture
def port(desk: CommandDesk, monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Where a page with an alarm takes commands."""
    monkeypatch.setattr(server, "TICK_S", 0.05)  # how soon it ends

    def look() -> StationView:
        return station_view(alarms=(alarm_view(),))

    with served(site_of(look, desk=desk)) as one:
        yield one


def say(port: int, told: object, **headers: str) -> Reply:
    """Send JSON as a tool does."""
    return ask(port, "/command", "POST", TOOL | headers, json.dumps(told).encode())


def answered(writer: Writer, id_: str, answer: str, *, ok: bool = True) -> None:
    """Write the event of a command that was carried out or refused."""
    facts = {"id": id_, "verb": "alarm.acknowledge", "who": "kim", "via": "page"}
    writer.append([event(1, Kind.COMMAND, **facts, ok=ok, answer=answer)], 0.0)


def refresh(page: str) -> str:
    """How soon a page loads again, and what."""
    (found,) = re.findall(r'http-equiv="refresh" content="([^"]*)"', page)
    return unescape(found)


def test_a_form_is_handed_over_and_its_answer_is_shown(
    port: int, inbox: Inbox, writer: Writer
) -> None:
    """Under the name that was typed; the page looks each second until the journal has it."""
    fields = forms(ask(port, "/act").text)["acknowledge"] | {"who": "kim"}
    sent = post(port, fields, Origin=f"http://127.0.0.1:{port}", Sec_Fetch_Site="same-origin")
    (waiting,) = inbox.after(0)
    before = ask(port, sent.headers["Location"].partition("#")[0])
    answered(writer, waiting.id, "batch-off-target is acknowledged now")
    after = ask(port, refresh(before.text).partition("url=")[2].partition("#")[0])

    where = f"/act?answer={fields['id']}&at=mix-1-alarms&kind=acknowledge#at-mix-1-alarms"
    assert (303, where) == (sent.status, sent.headers["Location"])
    assert (fields["id"], "kim", "page", "alarm.acknowledge", "mix-1") == (
        waiting.id, waiting.who, waiting.via, waiting.verb, waiting.reservoir,
    )  # fmt: skip
    assert {"name": "batch-off-target"} == waiting.facts
    assert "Waiting for the answer" in before.text
    assert "batch-off-target is acknowledged now (recorded under kim)" in after.text
    assert "refresh" not in after.text


def test_a_form_sent_twice_counts_once(port: int, inbox: Inbox, writer: Writer) -> None:
    """The second time shows what the first was answered, here that it was refused."""
    fields = forms(ask(port, "/act").text)["acknowledge"] | {"who": "kim"}
    post(port, fields)
    answered(writer, fields["id"], "batch-off-target is acknowledged already", ok=False)
    again = ask(port, post(port, fields).headers["Location"].partition("#")[0]).text

    assert 1 == len(inbox.after(0))
    assert "Not done" in again
    assert "is acknowledged already; the form was sent before and counts once" in again


def test_an_answer_that_does_not_come_is_not_looked_for_in_haste_for_ever(
    port: int, inbox: Inbox
) -> None:
    """After half a minute the page says why, and loads no more."""
    inbox.submit("a", "kim", "page", "batch.note")
    last = ask(port, f"/act?answer=a&look={POLLS}").text

    assert "is measuring running?" in last
    assert "refresh" not in last


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://strangers.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
def test_a_form_of_another_page_is_refused(
    port: int, inbox: Inbox, headers: dict[str, str]
) -> None:
    """Even one that knows our secret; nothing is handed over."""
    fields = forms(ask(port, "/act").text)["acknowledge"] | {"who": "kim"}
    reply = post(port, fields, **headers)

    assert (403, True) == (reply.status, "from another page" in reply.text)
    assert [] == inbox.after(0)


@pytest.mark.parametrize("token", ["", "guessed", "\u00e9"])
def test_a_form_without_our_secret_is_refused(port: int, inbox: Inbox, token: str) -> None:
    """And so is one of an earlier process, which is to be sent once more."""
    fields = forms(ask(port, "/act").text)["acknowledge"] | {"who": "kim", "token": token}
    reply = post(port, fields)

    assert (403, True) == (reply.status, "send it once more" in reply.text)
    assert [] == inbox.after(0)


@pytest.mark.parametrize(
    "headers",
    [
        {"Content-Type": "application/json"},
        TOOL | {"Origin": "http://127.0.0.1"},
        TOOL | {"Sec-Fetch-Site": "same-origin"},
    ],
)
def test_json_comes_from_tools_alone(port: int, inbox: Inbox, headers: dict[str, str]) -> None:
    """A browser cannot send it for another page: it says where it comes from."""
    body = json.dumps({"verb": "batch.use", "who": "scale", "reservoir": "mix-1"}).encode()
    reply = ask(port, "/command", "POST", headers, body)

    assert (403, True) == (reply.status, "X-Brinewright: 1" in reply.text)
    assert [] == inbox.after(0)


def test_a_tool_asks_and_looks_for_its_answer(port: int, inbox: Inbox, writer: Writer) -> None:
    """With an id of its own or with one that is made; a repeat has the answer at once."""
    use = {"id": "u-1", "verb": "batch.use", "volume_l": 40, "who": "scale", "reservoir": "mix-1"}
    sent = say(port, use)
    before = json.loads(ask(port, sent.headers["Location"]).body)
    answered(writer, "u-1", "batch lot-7 is used")
    after = json.loads(ask(port, sent.headers["Location"]).body)
    again = say(port, use)
    made = json.loads(say(port, {key: use[key] for key in use if key != "id"}).body)

    assert (202, None) == (sent.status, before["ok"])
    assert (True, "batch lot-7 is used") == (after["ok"], after["answer"])
    assert (200, after | {"repeated": True}) == (again.status, json.loads(again.body))
    assert ["u-1", made["id"]] == [each.id for each in inbox.after(0)]
    assert {"volume_l": 40} == inbox.after(0)[0].facts


@pytest.mark.parametrize(
    "change, words",
    [
        ({"who": ""}, "This is missing"),
        ({"who": "k" * 41}, "at most 40 characters"),
        ({"who": "kim\nALARM"}, "on one line"),
        ({"kind": "discard"}, "there is no such form"),
        ({"kind": ""}, "there is no such form"),
        ({"id": "i" * 65}, "at most 64 characters"),
        ({"reservoir": "mix-9"}, "There is no reservoir of that name; known: mix-1"),
        ({"text": ""}, "This is missing"),
        ({"text": "x" * 501}, "501 characters"),
        ({"batch": "x" * 2001}, "longer than 2000"),
        ({f"f{n}": "1" for n in range(30)}, "not a form"),
        ({f"f{n}": "1" for n in range(21)}, "arguments are too many"),
    ],
)
def test_a_form_that_asks_nothing_possible_is_told_why(
    port: int, token: str, inbox: Inbox, change: dict[str, str], words: str
) -> None:
    """400 and a sentence; nothing is handed over."""
    fields = {"kind": "note", "id": "a", "who": "kim", "reservoir": "mix-1", "text": "x"}
    reply = post(port, fields | {"token": token} | change)

    assert 400 == reply.status
    assert words.lower() in unescape(reply.text).lower()
    assert [] == inbox.after(0)


def test_a_form_that_cannot_be_handed_over_comes_back_as_it_was_filled_in(
    port: int, token: str, inbox: Inbox
) -> None:
    """Measuring has made no inbox yet: 503 and why, and the form can be sent once more."""
    fields = {"kind": "note", "id": "a", "who": "kim", "reservoir": "mix-1", "text": "cloudy"}
    kept = inbox.path.rename(inbox.path.with_suffix(".kept"))
    refused = post(port, fields | {"token": token})
    again = forms(refused.text)["note"] | {"text": "cloudy", "who": "kim"}
    kept.rename(inbox.path)

    assert (503, True) == (refused.status, "cloudy</textarea>" in refused.text)
    assert "measuring has not made it yet" in refused.text
    assert 303 == post(port, again).status
    assert ["a"] == [each.id for each in inbox.after(0)]


def test_a_flood_is_bounded(port: int, token: str, inbox: Inbox) -> None:
    """So many are taken at once; the rest are told so, and strangers use none of them up."""
    fields = {"kind": "note", "who": "kim", "reservoir": "mix-1", "text": "x"}
    for _ in range(BURST):
        post(port, fields, Origin="http://strangers.example")
    own = fields | {"token": token}
    statuses = [post(port, own | {"id": f"n-{n}"}).status for n in range(BURST + 5)]
    reply = say(port, fields)

    assert [303] * BURST + [429] * 5 == statuses
    assert (429, True) == (reply.status, "send it again later" in reply.text)
    assert BURST == len(inbox.after(0))


@pytest.mark.parametrize("size, status", [(LARGEST_BYTES, 400), (LARGEST_BYTES + 1, 413)])
def test_what_is_too_long_is_refused_before_it_is_read(
    port: int, inbox: Inbox, size: int, status: int
) -> None:
    """A body of the largest size is looked at, one that is larger is not."""
    assert status == ask(port, "/command", "POST", TOOL, b" " * size).status
    assert [] == inbox.after(0)


@pytest.mark.parametrize("kind", ["text/plain", "multipart/form-data; boundary=x", ""])
def test_other_kinds_of_content_are_refused(port: int, inbox: Inbox, kind: str) -> None:
    """Also the one that any page may send without being asked."""
    reply = ask(port, "/command", "POST", TOOL | {"Content-Type": kind}, b'{"verb":"batch.use"}')

    assert 415 == reply.status
    assert [] == inbox.after(0)


@pytest.mark.parametrize(
    "place, method", [("/", "POST"), ("/act", "POST"), ("/command", "PUT"), ("/metrics", "DELETE")]
)
def test_nothing_else_can_be_sent(port: int, place: str, method: str) -> None:
    """Only /command takes anything, and only by POST."""
    reply = ask(port, place, method, FORM, b"verb=batch.use")

    allowed = "GET, HEAD, POST" if place == "/command" else "GET, HEAD"
    assert (405, allowed) == (reply.status, reply.headers["Allow"])


def test_forms_may_go_to_the_page_itself_alone(port: int) -> None:
    """And a browser may say of them where they come from, which it does not without a referrer."""
    headers = ask(port, "/act").headers

    assert "form-action 'self';" in headers["Content-Security-Policy"]
    assert "same-origin" == headers["Referrer-Policy"]
    assert "no-store" == headers["Cache-Control"]


def test_without_commands_there_is_no_form_and_nothing_is_taken() -> None:
    """As the page is where nothing is configured."""
    with served(site_of(station_view)) as one:
        page, act, tool = ask(one), ask(one, "/act"), say(one, {"verb": "batch.use", "who": "kim"})

    assert (404, 405) == (act.status, tool.status)
    assert [] == re.findall(r"<form|/act|/command", page.text)
    assert "form-action 'self';" in page.headers["Content-Security-Policy"]


def test_the_page_leads_to_the_forms_and_they_stay_while_one_types(port: int) -> None:
    """The status page loads again by itself, the page of forms does not."""
    assert '<a href="/act">' in ask(port).text
    assert "refresh" not in ask(port, "/act").text


HOSTILE = st.dictionaries(
    st.sampled_from(["kind", "id", "who", "reservoir", "text", "hours", "all", "batch", "press"])
    | st.text(max_size=6),
    st.sampled_from(["note", "shelve", "acknowledge", "mix-1", "kim", "1e999", "9" * 400, "\0"])
    | st.sampled_from(["\u202e", "' OR 1=1"])
    | st.text(max_size=40),
    max_size=9,
)


def test_no_field_brings_it_down(
    port: int, token: str, inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each is taken or refused with a sentence, and what is taken is what was allowed."""
    monkeypatch.setattr(Allowance, "take", lambda *_: True)

    @settings(max_examples=60, deadline=None, suppress_health_check=[*HealthCheck])
    @given(HOSTILE, st.binary(max_size=30), st.booleans())
    def sent(fields: dict[str, str], noise: bytes, mixed: object) -> None:
        body = urlencode({**fields, "token": token}).encode()
        body = body + b"&" + noise if mixed else body
        assert ask(port, "/command", "POST", FORM, body).status in (303, 400)
        assert ask(port, "/command", "POST", TOOL, noise).status == 400
        assert ask(port, f"/?{urlencode({'answer': noise, 'look': noise})}").status in (200, 400)
        assert ask(port, f"/command?{urlencode({'id': noise})}").status in (400, 404)

    sent()
    for each in inbox.after(0, 1000):
        assert each.verb in ALLOWED
        assert each.who.strip()
        assert each.reservoir in ("", "mix-1")


@pytest.mark.parametrize(
    "lines, words",
    [
        ('commands = ["batch.usee"]', "the nearest is 'batch.use'"),
        ('listen = "0.0.0.0:8407"\ncommands = ["batch.use"]', "nobody knows there who may act"),
        ('listen = "mixing.lan:8407"\ncommands = ["batch.use"]', "nobody knows there"),
    ],
)
def test_commands_are_checked_with_the_configuration(lines: str, words: str) -> None:
    """Unknown ones, and any where other machines reach the page."""
    with pytest.raises(ConfigError) as exc:
        parse(f"{STATION_FILE}[page]\n{lines}\n", Path("brinewright.toml"))

    assert words in str(exc.value)
    assert "page.commands" in str(exc.value)


def test_an_id_comes_back_as_it_was_sent(port: int, token: str, writer: Writer) -> None:
    """Whatever stands in it; the answer shown is its own."""
    own = {"kind": "note", "reservoir": "mix-1", "text": "x", "token": token, "who": "kim"}
    fields = own | {"id": "a&b=c #%2F'\""}
    where = post(port, fields).headers["Location"].partition("#")[0]
    waiting = ask(port, where).text
    answered(writer, fields["id"], "noted")

    assert "Waiting for the answer" in waiting
    assert "Noted (recorded under kim)" in ask(port, where).text
    again = refresh(waiting).partition("url=")[2].partition("#")[0]
    assert "Noted (recorded under kim)" in ask(port, again).text


STATION_FILE = configuration()
