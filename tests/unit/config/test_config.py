"""A configuration is taken whole or refused with every fault in a sentence."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config import Config, ConfigError, find_config, load, parse
from daemon.probes.line_section import LineSection
from daemon.probes.registry import SECTIONS

VALID = r"""
[station]
name = "quarantine-wing"

[[reservoir]]
name = "mix-1"
capacity_l = 220
fill_l = 180
target_ppt = 34.0
tolerance_ppt = 1.0
use_within_h = 24
settle_within_min = 30

[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "/dev/ttyUSB0"
baud = 9600
request = "READ?\n"
reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'
units = { conductivity = "uS/cm", temperature = "degC" }
compensation = "none"
period_s = 2

[journal]
path = "/var/lib/brinewright/journal.db"

[mqtt]
host = "127.0.0.1"
port = 1883
username = "brinewright"
password_file = "mqtt-password"

[influx]
url = "http://127.0.0.1:8086"
org = "aquarium"
bucket = "mixing"
token_file = "influx-token"

[page]
listen = "127.0.0.1:8407"
"""
REPLY = r"reply = '(?P<conductivity>[\d.]+),(?P<temperature>[\d.]+)'"
UNITS = 'units = { conductivity = "uS/cm", temperature = "degC" }'
FILE = Path("/etc/brinewright/brinewright.toml")


def faults(text: str) -> list[str]:
    """Every sentence that a text earns."""
    with pytest.raises(ConfigError) as caught:
        parse(text, FILE, SECTIONS)
    return caught.value.faults


def line_section(text: str) -> LineSection:
    """The first probe of a text, which is one on a serial line."""
    section: object = parse(text, FILE, SECTIONS).reservoirs[0].probes[0]
    assert isinstance(section, LineSection)
    return section


def test_the_whole_file_is_read() -> None:
    """Every key of a full file arrives, and what is left out has its default."""
    config = parse(VALID, FILE, SECTIONS)
    (reservoir,) = config.reservoirs
    probe = line_section(VALID)

    assert "quarantine-wing" == config.station.name
    assert 1.0 == config.station.rehearsal_speed
    assert (220.0, 180.0, 34.0, 1.0) == (
        reservoir.capacity_l,
        reservoir.fill_l,
        reservoir.target_ppt,
        reservoir.tolerance_ppt,
    )
    assert (0.95, 1.0) == (reservoir.release_confidence, reservoir.blank_max_ppt)
    assert ("READ?\n", 9600, 8, "N", 1) == (
        probe.request,
        probe.baud,
        probe.bytesize,
        probe.parity,
        probe.stopbits,
    )
    assert (None, 2.0, 2.0) == (probe.compensation, probe.period_s, probe.timeout_s)
    (every,) = reservoir.probes
    assert (0.5, 0.1) == (every.conductivity_u_percent, every.temperature_u_C)
    assert ("127.0.0.1", 8407) == (config.page.host, config.page.port)
    assert "brinewright-quarantine-wing" == config.client_id
    assert reservoir is config.reservoir("mix-1")
    assert probe.name == every.name


def test_a_secret_stands_beside_the_configuration() -> None:
    """A relative path starts from the folder of the file, wherever the program was started."""
    mqtt = parse(VALID, FILE, SECTIONS).mqtt

    assert mqtt is not None
    assert FILE.parent / "mqtt-password" == mqtt.password_file


def test_two_sections_are_enough() -> None:
    """A station and a reservoir without a probe make a file that can replay a recording."""
    short = VALID[: VALID.index("[[reservoir.probe]]")]
    config = parse(short, FILE)

    assert () == config.reservoirs[0].probes
    assert config.mqtt is None
    assert config.influx is None
    assert Path("/var/lib/brinewright/journal.db") == config.journal.path


def test_an_instrument_that_sends_without_a_request_is_given_three_periods() -> None:
    """Without a request, a value is missed after three periods instead of one."""
    free = line_section(VALID.replace('request = "READ?\\n"', ""))

    assert (None, 6.0) == (free.request, free.timeout_s)


def test_a_compensation_is_kept_with_its_rule() -> None:
    """An instrument's own compensation is known by coefficient and reference."""
    rule = "{ linear_percent_per_C = 2.0, reference_C = 25 }"
    text = VALID.replace('compensation = "none"', f"compensation = {rule}")
    found = line_section(text).compensation

    assert found is not None
    assert (2.0, 25.0) == (found.linear_percent_per_C, found.reference_C)


@pytest.mark.parametrize("micro", ["\u00b5", "\u03bc"])
def test_either_micro_sign_is_a_u(micro: str) -> None:
    """Both signs that keyboards have for micro mean the unit spelled with a u."""
    text = VALID.replace('"uS/cm"', f'"{micro}S/cm"')

    assert "uS/cm" == line_section(text).units.conductivity


PROBE = "reservoir[mix-1].probe[ct-1]"


@pytest.mark.parametrize(
    "before, after, parts",
    [
        ("baud = 9600", "baud = 12", [f"{PROBE}.baud = 12", "300 to 921600 Bd"]),
        ("baud = 9600", 'baud = "9600"', [f"{PROBE}.baud = '9600'", "whole number"]),
        ("baud = 9600", "baud = true", [f"{PROBE}.baud = true", "whole number"]),
        ("baud", "bawd", [f"{PROBE}.bawd", "not a known key", "nearest is baud"]),
        ("period_s = 2", "period_s = 0.1", [f"{PROBE}.period_s = 0.1", "0.2 to 60 seconds"]),
        ("period_s = 2", "period_s = nan", [f"{PROBE}.period_s = nan", "0.2 to 60 seconds"]),
        (
            '"line"',
            '"serial"',
            [f"{PROBE}.driver = 'serial'", "there are '", "'line', ", "'recorded'"],
        ),
        ('"line"', '"lien"', [f"{PROBE}.driver = 'lien'", "the nearest is 'line'"]),
        ('driver = "line"', "", [f"{PROBE}.driver is missing", "the name of a driver"]),
        ('driver = "line"', "driver = 7", [f"{PROBE}.driver = 7", "the name of a driver"]),
        ('"uS/cm"', '"mhos"', [f"{PROBE}.units.conductivity = 'mhos'", "'mS/cm', 'S/m'"]),
        ('"degC"', '"C"', [f"{PROBE}.units.temperature = 'C'", "'degC', 'degF', 'K'"]),
        (UNITS, "", [f"{PROBE}.units is missing", "conductivity = 'uS/cm'"]),
        ('"none"', '"automatic"', [f"{PROBE}.compensation = 'automatic'", "'none'"]),
        ('compensation = "none"', "", [f"{PROBE}.compensation is missing", "'none'"]),
        (REPLY, "reply = '('", [f"{PROBE}.reply = '('", "not a regular expression"]),
        (REPLY, r"reply = '(\d+)'", [f"{PROBE}.reply", "(?P<conductivity>...)"]),
        (
            REPLY,
            r"reply = '(?P<conductivity>\d+)(?=,),(?P<temperature>\d)'",
            [f"{PROBE}.reply", "not a regular expression of RE2", "(?="],
        ),
        (
            REPLY,
            r"reply = '(?P<conductivity>(\d{100}){100}),(?P<temperature>\d)'",
            [f"{PROBE}.reply", "not a regular expression of RE2", "invalid repetition size"],
        ),
        (
            REPLY,
            r"reply = '(?P<conductivity>\d+),(?P<temperature>\d+),(?P<pomp>\d)'",
            [f"{PROBE}.reply", "the group pomp", "pump"],
        ),
        (
            REPLY,
            "reply = '" + "x" * 170 + "(?P<conductivity>1)(?P<temperature>1)'",
            [f"{PROBE}.reply", "at most 200"],
        ),
        ("period_s = 2", "timeout_s = 3", [f"{PROBE}.timeout_s = 3", "period_s = 2 seconds"]),
        ('port = "/dev/ttyUSB0"', "", [f"{PROBE}.port is missing", "/dev/ttyUSB0"]),
        (
            "fill_l = 180",
            "fill_l = 250",
            ["reservoir[mix-1].fill_l = 250", "capacity_l = 220 litres"],
        ),
        ("= 34.0", "= 3400", ["reservoir[mix-1].target_ppt = 3400", "0 to 42 ppt"]),
        ("tolerance_ppt = 1.0", "tolerance_ppt = 0", ["tolerance_ppt = 0 ", "0.01 to 10 ppt"]),
        ("= 34.0", "= 1.5", ["reservoir[mix-1].target_ppt = 1.5", "blank_max_ppt = 1 ppt"]),
        # 2 less 1 is the limit of purified water itself.
        ("= 34.0", "= 2.0", ["reservoir[mix-1].target_ppt = 2", "blank_max_ppt = 1 ppt"]),
        ("tolerance_ppt", "tolerence_ppt", ["tolerence_ppt", "nearest is tolerance_ppt"]),
        ("[journal]", "[journey]", ["journey is not a known key", "nearest is journal"]),
        ("wing", "Wing 2", ["station.name = 'quarantine-Wing 2'", "a-z, 0-9"]),
        ("port = 1883", "port = 70000", ["mqtt.port = 70000", "1 to 65535 (a TCP port)"]),
        ('username = "brinewright"', "", ["mqtt.password_file = 'mqtt-password'", "username"]),
        ("password_file", "password", ["mqtt.password is not", "nearest is password_file"]),
        ("http://", "127://", ["influx.url", "http:// or https://"]),
        ("http://", "http://kim:word@", ["influx.url = 'http://(account)@127", "holds an account"]),
        ("127.0.0.1:8407", "8407", ["page.listen = '8407'", "host:port"]),
        ("[station]", "[reservoir]", ["not valid TOML at line 5"]),
        ("[[reservoir]]", "[reservoir]", ["reservoir = {", "in double brackets"]),
        ("[page]", "[page", ["not valid TOML at line 40, column 6"]),
    ],
)
def test_a_fault_is_a_sentence(before: str, after: str, parts: list[str]) -> None:
    """Each wrong key is named with the file, its place, its value and what is allowed."""
    assert before in VALID
    found = faults(VALID.replace(before, after, 1))
    matching = [one for one in found if all(part in one for part in parts)]

    assert [] != matching, found
    assert all(one.startswith(f"{FILE}: ") and one.endswith(".") for one in found)
    assert all("\n" not in one for one in found)
    assert not any("kim" in one or "word@" in one for one in found)


def test_all_faults_come_at_once() -> None:
    """Faults of single keys, between keys and in unknown keys come together."""
    text = VALID.replace("fill_l = 180", "fill_l = 250").replace("baud = 9600", "baud = 1")
    found = faults(text.replace("[page]", "[pages]"))

    assert 3 == len(found)
    assert ["baud", "pages", "fill_l"] == [
        word for one in found for word in ("baud", "pages", "fill_l") if f"{word} " in one
    ]


def test_a_name_used_twice_is_a_fault() -> None:
    """Two reservoirs, or two probes of one, cannot share a name and so a topic."""
    reservoir = VALID[VALID.index("[[reservoir]]") : VALID.index("[journal]")]
    probe = VALID[VALID.index("[[reservoir.probe]]") : VALID.index("[journal]")]
    others = [each.replace("USB0", f"USB{number}") for number, each in ((1, probe), (2, reservoir))]
    text = VALID.replace(reservoir, "".join([reservoir, *others]))

    assert 2 == len(faults(text))
    assert any("reservoir[mix-1].name = 'mix-1' is already" in one for one in faults(text))
    assert any("probe[ct-1].name = 'ct-1' is already" in one for one in faults(text))


def test_a_nameless_table_is_counted() -> None:
    """A table that cannot be named is found by its number, counted from one."""
    assert any("reservoir[1].name is missing" in one for one in faults("[[reservoir]]\n"))


@pytest.mark.parametrize(
    "content, part",
    [
        (b"[station]\nname = \xff\n", "not UTF-8 text at byte 18"),
        (b"a = " + b"[" * 5000, "nested too deep"),
        (b"a = " + b"9" * 5000, "not valid TOML"),
        (b"#" * 1_000_001, "larger than a megabyte"),
        (b"", "station is missing"),
        (b"reservoir = []", "must hold at least one"),
    ],
)
def test_a_file_that_is_no_configuration_is_said_to_be_none(
    tmp_path: Path, content: bytes, part: str
) -> None:
    """Whatever the bytes of the file, the answer is a sentence that names it."""
    path = tmp_path / "brinewright.toml"
    path.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load(path)

    assert any(part in one and str(path) in one for one in caught.value.faults)


def test_a_place_that_is_no_file_is_said_to_be_none(tmp_path: Path) -> None:
    """A missing file, a folder and an impossible name each have their sentence."""
    for path, part in (
        (tmp_path / "none.toml", "there is no such file"),
        (tmp_path, "this is a folder"),
        (tmp_path / "a\0b", "not the path of a file"),
    ):
        with pytest.raises(ConfigError) as caught:
            load(path)
        assert part in str(caught.value)


def test_the_usual_places_are_searched_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One asked for wins; else the first usual place that has a file; else a sentence."""
    first, second = tmp_path / "first.toml", tmp_path / "second.toml"
    monkeypatch.setattr("daemon.config.loading.USUAL_PLACES", (first, second))

    assert tmp_path / "asked.toml" == find_config(tmp_path / "asked.toml")
    with pytest.raises(ConfigError, match="--config PATH"):
        find_config()
    second.write_text(VALID)
    assert second == find_config()
    first.write_text(VALID)
    assert first == find_config()


LINES = VALID.splitlines()
JUNK = st.sampled_from(
    [
        "true",
        "-1",
        "1e400",
        "nan",
        "''",
        "[]",
        "{}",
        "[[1]]",
        "1979-05-27",
        "0x" + "f" * 5000,
        "{a=1}",
        "'" + "x" * 300 + "'",
        '"\\u0000"',
        "'mix-1'",
        "99999999999999999999",
        "[1, 2]",
        "07:32:00",
    ]
)


@st.composite
def mutated(draw: st.DrawFn) -> str:
    """The valid file with a few lines lost, doubled, moved, renamed or given junk."""
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(lines) - 1))
        key = lines[at].partition("=")[0]
        change = draw(st.sampled_from(["lose", "double", "move", "junk", "rename", "splice"]))
        if change == "lose" and len(lines) > 1:
            del lines[at]
        elif change == "double":
            lines.insert(draw(st.integers(0, len(lines))), lines[at])
        elif change == "move":
            lines.insert(draw(st.integers(0, len(lines) - 1)), lines.pop(at))
        elif change == "junk":
            lines[at] = f"{key}= {draw(JUNK)}"
        elif change == "rename":
            lines[at] = draw(st.text(max_size=8)) + lines[at]
        else:
            lines[at] = lines[at][: draw(st.integers(0, 20))] + draw(st.text(max_size=4))
    return "\n".join(lines)


@given(mutated())
def test_any_mutation_gives_a_configuration_or_its_faults(text: str) -> None:
    """Nothing that an editor could make of a file gives anything but sentences."""
    try:
        config = parse(text, FILE, SECTIONS)
    except ConfigError as exc:
        sentences = exc.faults
    else:
        assert isinstance(config, Config)
        return
    assert [] != sentences
    assert all(one.startswith(str(FILE)) and len(one) < 1000 for one in sentences)


def test_a_target_whose_lower_limit_is_above_purified_water_is_taken() -> None:
    """A hundredth above the limit it is, at the limit it is not."""
    assert 2.01 == parse(VALID.replace("= 34.0", "= 2.01", 1), FILE).reservoirs[0].target_ppt
    assert 1 == len(faults(VALID.replace("= 34.0", "= 2.0", 1)))
