"""Payloads of messages to numbers, words and times."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.wire.json_pointer import json_pointer
from daemon.wire.published import LARGEST_PAYLOAD, Published, Unreadable, same_unit

EC = json_pointer("/ec")


def refusal(payload: bytes, pointer: str | None = "/ec") -> str:
    """Why a payload gives no number; the test fails where it gives one."""
    with pytest.raises(Unreadable) as caught:
        Published(payload).number(None if pointer is None else json_pointer(pointer))
    return str(caught.value)


@pytest.mark.parametrize(
    "payload, value",
    [
        (b"42.914", 42.914),
        (b" 42.914\r\n", 42.914),
        (b"+42", 42.0),
        (b"-0.5", -0.5),
        (b".5", 0.5),
        (b"4.2914e1", 42.914),
    ],
)
def test_a_plain_payload_is_its_number(payload: bytes, value: float) -> None:
    """With a sign, a point or an exponent, and space around it."""
    assert value == Published(payload).number(None)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b" ",
        b"nan",
        b"inf",
        b"-Infinity",
        b"unavailable",
        b"42,914",
        b"42.9 mS/cm",
        b"1_000",
        b"0x10",
        b"1e400",
        b"1e10",
        b"true",
        b"null",
        b"\xff\xfe",
        "٤٢".encode(),
        b"[42.9]",
        b"1" * 50,
    ],
)
def test_a_plain_payload_that_is_no_number_alone_is_refused(payload: bytes) -> None:
    """A word, a unit, a comma, digits of another script, and what no water conducts."""
    assert refusal(payload, None)


@pytest.mark.parametrize("value", ["42.914", '"42.914"', "4.2914e1", '" 42.914 "'])
def test_a_number_in_json_may_stand_in_quotes(value: str) -> None:
    """Home-automation hubs keep every state as text."""
    assert 42.914 == Published(f'{{"ec": {value}}}'.encode()).number(EC)


@pytest.mark.parametrize(
    "value, said",
    [
        ("null", "'/ec' is null where a number is due"),
        ("true", "'/ec' is true where a number is due"),
        ("false", "'/ec' is false where a number is due"),
        ('"unavailable"', "'/ec' is 'unavailable' where a number is due"),
        ('""', "'/ec' is empty where a number is due"),
        ('"nan"', "'/ec' is 'nan' where a number is due"),
        ('"1e999"', "'/ec' is '1e999' where a number is due"),
        ("1e999", "'/ec' is inf where a number is due"),
        ("[42.9]", "'/ec' is a list where a number is due"),
        ('{"value": 42.9}', "'/ec' is an object where a number is due"),
    ],
)
def test_what_is_no_number_in_json_is_named(value: str, said: str) -> None:
    """Null, a truth value, a word and what is nested are no numbers, nor taken for 0 or 1."""
    assert said == refusal(f'{{"ec": {value}}}'.encode())


@pytest.mark.parametrize(
    "payload, part",
    [
        (b'{"ec": NaN}', "NaN is no number of JSON"),
        (b'{"ec": -Infinity}', "-Infinity is no number of JSON"),
        (b'{"ec": 42.9', "not JSON"),
        (b"", "not JSON"),
        (b'{"ec": 1, "ec": 2}', "'ec' stands twice"),
        (b'\xef\xbb\xbf{"ec": 1}', "not JSON"),
        ('{"ec": 1}'.encode("utf-16"), "not JSON: it is not UTF-8"),
        (b'{"ec": ' + b"[" * 5000, "nested too deeply"),
        (b'{"ec": ' + b"1" * 5000 + b"}", "not JSON"),
        (b'{"EC": 42.9}', "'/ec' leads nowhere in '{\"EC\": 42.9}'"),
        (b"[42.9]", "'/ec' leads nowhere"),
        (b"42.9", "'/ec' leads nowhere in '42.9'"),
        (b" " * (LARGEST_PAYLOAD + 1), "at most 16384 are read"),
    ],
)
def test_a_payload_that_could_be_read_in_two_ways_or_none_is_refused(
    payload: bytes, part: str
) -> None:
    """No JSON, JSON with a name twice, too deep, too long, or without such a member."""
    assert part in refusal(payload)


def test_a_payload_may_be_a_number_of_json_itself() -> None:
    """The empty pointer is the whole document."""
    assert 42.9 == Published(b"42.9").number(json_pointer(""))


@pytest.mark.parametrize(
    "payload, word",
    [
        (b'{"ec": "on"}', "on"),
        (b'{"ec": true}', "true"),
        (b'{"ec": 1}', "1"),
        (b'{"ec": " ON "}', "ON"),
    ],
)
def test_a_word_is_a_text_a_number_or_a_truth_value(payload: bytes, word: str) -> None:
    """As a node may say that it is there or that a pump runs."""
    assert word == Published(payload).word(EC)


@pytest.mark.parametrize("payload", [b'{"ec": null}', b'{"ec": []}', b'{"ec": {}}'])
def test_nothing_and_what_is_nested_are_no_words(payload: bytes) -> None:
    """They are refused like numbers that are none."""
    with pytest.raises(Unreadable, match="where a word is due"):
        Published(payload).word(EC)


@pytest.mark.parametrize(
    "value, form",
    [
        ('"2026-03-02T12:00:00Z"', "iso"),
        ('"2026-03-02T13:00:00+01:00"', "iso"),
        ("1772452800", "s"),
        ("1772452800000", "ms"),
    ],
)
def test_a_time_is_read_in_its_declared_form(value: str, form: str) -> None:
    """Noon of 2 March 2026, as nodes and hubs write it."""
    payload = Published(f'{{"ec": {value}}}'.encode())

    assert 1772452800.0 == payload.time_s(EC, form)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "value, form",
    [
        ('"2026-03-02T12:00:00"', "iso"),
        ('"noon"', "iso"),
        ('"2026-03-02T08,5Z"', "iso"),
        ('"20260302T08000Z"', "iso"),
        ('"2026-03-02 0800 Z"', "iso"),
        ("1772452800", "iso"),
        ("1e300", "s"),
        ("-5", "s"),
        ('"1772452800"', "s"),
        ("null", "ms"),
        ('"9999-12-31T23:59:59-23:00"', "iso"),
    ],
)
def test_what_is_no_time_of_that_form_is_refused(value: str, form: str) -> None:
    """Without a zone, another form than declared, before 1970 or after the year 9999."""
    with pytest.raises(Unreadable):
        Published(f'{{"ec": {value}}}'.encode()).time_s(EC, form)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "said, declared, same",
    [
        ("mS/cm", "mS/cm", True),
        ("µS/cm", "uS/cm", True),
        ("\u03bcS/cm", "uS/cm", True),
        ("°C", "degC", True),
        ("°F", "degC", False),
        ("mS/cm", "uS/cm", False),
        ("MS/CM", "mS/cm", False),
        ("", "mS/cm", False),
    ],
)
def test_a_stated_unit_is_the_declared_one_or_another(
    said: str,
    declared: str,
    same: bool,  # noqa: FBT001 - of a table of cases
) -> None:
    """Both micro signs count; capitals do not, for M is a thousand million times m."""
    assert same == same_unit(said, declared)


@given(st.binary(max_size=200), st.sampled_from([None, "", "/ec", "/a/0"]))
def test_any_bytes_give_a_finite_number_or_a_sentence(payload: bytes, text: str | None) -> None:
    """No other exception, and no number out of nothing."""
    pointer = None if text is None else json_pointer(text)
    said = ""
    try:
        number = Published(payload).number(pointer)
    except Unreadable as exc:
        number, said = 0.0, str(exc)

    assert abs(number) <= 1e9
    assert said.isprintable()


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
        lambda each: st.lists(each, max_size=4) | st.dictionaries(st.text(), each, max_size=4),
        max_leaves=10,
    ),
    st.lists(st.text(max_size=3), max_size=3),
)
def test_only_a_number_of_a_document_becomes_one(document: object, names: list[str]) -> None:
    """What the library reads at the place is the number, whatever else the document holds."""
    text = "".join("/" + each.replace("~", "~0").replace("/", "~1") for each in names)
    found: object = document
    for name in names:
        if isinstance(found, dict):
            found = found.get(name)
        elif isinstance(found, list) and name.isascii() and name.isdigit():
            found = found[int(name)] if int(name) < len(found) and name == str(int(name)) else None
        else:
            found = None
    payload = Published(json.dumps(document).encode())
    try:
        number = payload.number(json_pointer(text))
    except Unreadable:
        return
    assert not isinstance(found, bool)
    assert isinstance(found, int | float | str)
    assert float(found) == number
