"""`brinewright probe try` over real pseudo-terminals, with instruments that are set wrong.

What a pseudo-terminal does not prove is said in `test_probe_listen`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import serial

from daemon.probes.trial import line_settings
from simulators.instrument import Character, Instrument
from simulators.modbus import ModbusUnits, Place, RtuSpeaker
from simulators.sample_bath import SampleBath
from simulators.sdi12 import SensorBus
from simulators.sdi12_sensor import Sensor
from simulators.uart import Framing
from tests.parts.configurations import configuration
from tests.parts.every_verb import run_here
from tests.parts.talking import Saying, talking

EVERY_S = 0.2
SECTION = """
[[reservoir.probe]]
name = "ct-1"
driver = "line"
port = "{port}"
reply = '(?P<conductivity>[\\d.]+),(?P<temperature>[\\d.]+)'
units = {{ conductivity = "uS/cm", temperature = "degC" }}
compensation = "none"
period_s = 0.2
"""


def text(number: int) -> bytes:
    """Seawater of 34 at 24 °C, with a last digit that moves."""
    return b"50850.%d,24.%02d\r\n" % (number % 10, number % 7)


def tried(tmp_path: Path, section: str, *options: str) -> tuple[int, dict[str, Any]]:
    """Exit code and the one probe of the answer."""
    config = tmp_path / "brinewright.toml"
    config.write_text(configuration(section), encoding="utf-8")
    words = ["probe", "try", "--json", "--seconds", "1.2", *options, "--config", str(config)]
    answered = run_here(words)
    (probe,) = json.loads(answered.out)["probes"]
    return answered.code, probe


@pytest.fixture
def section(tmp_path: Path) -> str:
    """Of a probe at the port `tty`."""
    return SECTION.format(port=tmp_path / "tty")


def test_a_probe_that_is_set_right_is_said_to_be(tmp_path: Path, section: str) -> None:
    """Values, no finding, and 0."""
    with talking(tmp_path / "tty", Saying(text, EVERY_S)):
        code, probe = tried(tmp_path, section, "--water-ppt", "34")

    assert (0, True, []) == (code, probe["right"], probe["findings"])
    assert pytest.approx(50.85, abs=0.01) == probe["conductivity_mS_cm"]
    assert "probe ct-1 of mix-1" == probe["name"]


@pytest.mark.parametrize(
    "change, finding",
    [
        (('"uS/cm"', '"mS/cm"'), 'units conductivity = "uS/cm" (1/1000 of this: 34.1 ppt)'),
        (('"degC"', '"degF"'), 'units temperature = "degC"'),
        (("<conductivity>", "<x>"), "are likely swapped"),
    ],
)
def test_a_wrong_unit_and_swapped_channels_are_named(
    tmp_path: Path, section: str, change: tuple[str, str], finding: str
) -> None:
    """And the code is 1."""
    wrong = section.replace(*change)
    if "<x>" in wrong:
        wrong = wrong.replace("<temperature>", "<conductivity>").replace("<x>", "<temperature>")
    with talking(tmp_path / "tty", Saying(text, EVERY_S)):
        code, probe = tried(tmp_path, wrong)

    assert 1 == code
    assert finding in " ".join(probe["findings"])


@pytest.mark.parametrize(
    "sent, finding",
    [
        (Framing(19200), "set baud = 19200"),
        (Framing(9600, 7, "E"), 'set bytesize = 7, parity = "E"'),
    ],
)
def test_a_wrong_speed_or_parity_is_named(
    tmp_path: Path, section: str, sent: Framing, finding: str
) -> None:
    """Of an instrument that sends without a request: nothing is sent to find it."""
    with talking(tmp_path / "tty", Saying(text, EVERY_S), sent):
        code, probe = tried(tmp_path, section)

    assert (1, 0) == (code, probe["readings"])
    assert finding in " ".join(probe["findings"])


def test_a_pattern_that_does_not_fit_gets_a_proposal(tmp_path: Path, section: str) -> None:
    """Lines of text that are written otherwise."""
    with talking(tmp_path / "tty", Saying(lambda n: text(n).replace(b",", b";"), EVERY_S)):
        _, probe = tried(tmp_path, section)

    assert "(?P<conductivity>[-+]?[\\d.]+);(?P<temperature>" in " ".join(probe["findings"])


def test_an_echo_and_silence_are_told_apart(tmp_path: Path, section: str) -> None:
    """Of an instrument that is asked; other speeds are not tried, as that would send to it."""
    asked = f'{section}request = "READ?\\n"\ntimeout_s = 0.2\n'
    with talking(tmp_path / "tty", Saying(answer=lambda data: data)):
        _, echo = tried(tmp_path, asked)
    heard: list[bytes] = []

    def hear(data: bytes) -> bytes:
        heard.append(data)
        return b""

    with talking(tmp_path / "tty", Saying(answer=hear)):
        _, silence = tried(tmp_path, asked)

    assert "an echo" in " ".join(echo["findings"])
    assert "No reply" in " ".join(silence["findings"])
    assert "brinewright probe listen" in " ".join(silence["findings"])
    assert {b"READ?\n"} == {each + b"\n" for each in b"".join(heard).splitlines()}


def test_a_port_in_use_says_to_stop_the_service(tmp_path: Path, section: str) -> None:
    """And no closer look is taken at it."""
    with (
        talking(tmp_path / "tty", Saying(text, EVERY_S)) as port,
        serial.Serial(str(port), 9600, exclusive=True),
    ):
        code, probe = tried(tmp_path, section)

    assert 1 == code
    assert "sudo systemctl stop brinewright-measure" in probe["findings"][0]
    assert "another program holds it" in probe["faults"][0]


def test_a_port_that_goes_before_the_closer_look_is_a_sentence(tmp_path: Path) -> None:
    """As when an adapter is pulled out meanwhile."""
    section = SECTION.format(port=tmp_path / "gone")
    code, probe = tried(tmp_path, section)

    assert (1, []) == (code, probe["findings"])
    assert "there is no such device" in probe["faults"][0]
    assert line_settings.LONGEST_S > 0.0


def test_a_name_that_no_probe_has_lists_those_there_are(tmp_path: Path, section: str) -> None:
    """2, and one sentence."""
    config = tmp_path / "brinewright.toml"
    config.write_text(configuration(section), encoding="utf-8")
    answered = run_here(["probe", "try", "ct-2", "--config", str(config)])

    assert (2, 1) == (answered.code, len(answered.sentences))
    assert "there are: ct-1" in answered.err


def test_a_thermometer_beside_a_probe_is_read_with_it(tmp_path: Path) -> None:
    """The temperature of the input that it names judges its conductivity."""
    probe = SECTION.format(port=tmp_path / "tty").replace(",(?P<temperature>[\\d.]+)", "")
    probe = probe.replace(', temperature = "degC"', "") + 'temperature_from = "thermo-1"\n'
    thermometer = (
        f'[[input]]\nname = "thermo-1"\ndriver = "line"\nport = "{tmp_path / "tty2"}"\n'
        "reply = '(?P<temperature>[\\d.]+)'\nunits = { temperature = \"degC\" }\nperiod_s = 0.2\n"
    )
    with (
        talking(tmp_path / "tty", Saying(lambda n: b"50850.%d\r\n" % (n % 10), EVERY_S)),
        talking(tmp_path / "tty2", Saying(lambda n: b"24.0%d\r\n" % (n % 10), EVERY_S)),
    ):
        code, one = tried(tmp_path, probe + thermometer, "ct-1")

    assert (0, True) == (code, one["right"])
    assert pytest.approx(24.05, abs=0.05) == one["temperature_C"]


def test_a_thermometer_that_says_nothing_is_named_at_its_probe(tmp_path: Path) -> None:
    """Conductivity alone makes no salinity, so the probe is not said to be right."""
    probe = SECTION.format(port=tmp_path / "tty").replace(",(?P<temperature>[\\d.]+)", "")
    probe = probe.replace(', temperature = "degC"', "") + 'temperature_from = "thermo-1"\n'
    thermometer = (
        '[[input]]\nname = "thermo-1"\ndriver = "onewire"\ndevice = "28-0316a2798eff"\n'
        f'sysfs = "{tmp_path}"\nperiod_s = 0.2\n'
    )
    with talking(tmp_path / "tty", Saying(lambda n: b"50850.%d\r\n" % (n % 10), EVERY_S)):
        code, one = tried(tmp_path, probe + thermometer, "ct-1")

    assert (1, False) == (code, one["right"])
    assert one["temperature_C"] is None
    assert "the input thermo-1 gave none in this time; see there" in " ".join(one["findings"])


def test_an_instrument_at_another_address_is_not_taken_for_a_dead_line(tmp_path: Path) -> None:
    """The driver found the cause; nothing else is proposed beside it."""
    section = (
        f'[[reservoir.probe]]\nname = "ct-1"\ndriver = "sdi12"\nport = "{tmp_path / "tty"}"\n'
        'break_by = "adapter"\naddress = "7"\nvalues = { conductivity = 1, temperature = 2 }\n'
        'units = { conductivity = "mS/cm", temperature = "degC" }\ncompensation = "none"\n'
    )
    sensor = Sensor("0", {"": lambda _t_s: ["+50.850", "+24.00"]})
    with talking(tmp_path / "tty", SensorBus([sensor])):
        code, probe = tried(tmp_path, section, "--seconds", "3")

    assert (1, []) == (code, probe["findings"])
    assert 'set address = "0"' in " ".join(probe["faults"])


class Sample:
    """An instrument in a sample that a person warms and cools, as time passes."""

    plugged, lossless = True, True

    def __init__(self, percent_per_C: float | None, every_s: float = 5.0) -> None:
        """Begin at room temperature; it warms after five minutes, and cools after fifteen."""
        character = Character(
            compensation_percent_per_C=percent_per_C, units="uS/cm", reply="%.1f,%.3f\r"
        )
        self.bath = SampleBath(Instrument(character, 3), exchange_s=120.0)
        self.every_s = every_s

    def advance(self, t_s: float) -> bytes:
        """Say what has fallen due."""
        said = b""
        while (due_s := self.next_s()) <= t_s:
            self.bath.around_C = 28.0 if 150.0 < due_s < 1000.0 else 22.0
            self.bath.advance(self.every_s)
            said += self.bath.speak()
        return said

    def respond(self, data: bytes, t_s: float) -> bytes:
        """Nobody asks it."""
        return self.advance(t_s)

    def next_s(self) -> float:
        """When its next line is due."""
        return self.bath.t_s + self.every_s


@pytest.mark.parametrize(
    "percent_per_C, words, code",
    [(2.0, "which does not agree", 1), (None, "which agrees", 0)],
)
def test_the_guided_test_leads_to_a_verdict(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    percent_per_C: float | None,
    words: str,
    code: int,
) -> None:
    """Over the real line, in time that runs faster: three steps and a verdict."""
    speed = 400.0
    # The line waits half a real second for its reader.
    monkeypatch.setattr("daemon.cli.probe_warm.SILENT_S", 3600.0 * speed)
    section = SECTION.format(port=tmp_path / "tty").replace("period_s = 0.2", "period_s = 5")
    config = tmp_path / "brinewright.toml"
    station = f"rehearsal_speed = {speed:g}\n"
    config.write_text(configuration(section, station=station), encoding="utf-8")
    with talking(tmp_path / "tty", Sample(percent_per_C), speed=speed):
        answered = run_here(["probe", "try", "--warm", "--json", "--config", str(config)])
    *steps, verdict = [json.loads(line) for line in answered.out.splitlines()]

    assert code == answered.code
    assert ["first", "away", "back"] == [each["step"] for each in steps]
    assert ("raw" if percent_per_C is None else "compensated") == verdict["verdict"]
    assert pytest.approx(percent_per_C or 0.0, abs=0.3) == verdict["percent_per_C"]
    assert words in " ".join(verdict["sentences"])


def test_the_guided_test_needs_one_probe(tmp_path: Path, section: str) -> None:
    """Of several, one must be named."""
    second = section.replace("ct-1", "ct-2").replace('/tty"', '/tty2"')
    config = tmp_path / "brinewright.toml"
    config.write_text(configuration(section + second), encoding="utf-8")
    answered = run_here(["probe", "try", "--warm", "--config", str(config)])

    assert (2, 1) == (answered.code, len(answered.sentences))
    assert "name one of: ct-1, ct-2" in answered.err


def test_the_guided_test_ends_where_nothing_comes(
    tmp_path: Path, section: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without readings there is no verdict; the driver's sentence says why, once."""
    monkeypatch.setattr("daemon.cli.probe_warm.SILENT_S", 0.3)
    config = tmp_path / "brinewright.toml"
    config.write_text(configuration(section), encoding="utf-8")
    answered = run_here(["probe", "try", "--warm", "--config", str(config)])

    assert 1 == answered.code
    assert 1 == answered.out.count("there is no such device")
    assert "It cannot be told yet whether the instrument compensates." in answered.out


MODBUS = """
[[reservoir.probe]]
name = "ct-1"
driver = "modbus"
port = "{port}"
unit = 1
conductivity = {{ register = 0, format = "float32", word_order = "{order}" }}
temperature = {{ register = 2, format = "float32", word_order = "{order}" }}
units = {{ conductivity = "mS/cm", temperature = "degC" }}
compensation = "none"
period_s = 0.2
"""


def holding(order: str) -> RtuSpeaker:
    """A unit of seawater at 24 °C that sends its numbers in an order of bytes."""
    memory: dict[tuple[int, int], int] = {}
    Place(0, order=order).hold(memory, 50.853)
    Place(2, order=order).hold(memory, 24.03)
    return RtuSpeaker(ModbusUnits({1: lambda: memory}))


@pytest.mark.parametrize(
    "sent, configured", [("CDAB", "ABCD"), ("DCBA", "CDAB"), ("ABCD", "BADC"), ("ABCD", "ABCD")]
)
def test_the_order_of_bytes_of_a_modbus_unit_is_named(
    tmp_path: Path, sent: str, configured: str
) -> None:
    """Over the real line: by the registers that it sent; nothing where the order is right."""
    section = MODBUS.format(port=tmp_path / "tty", order=configured)
    with talking(tmp_path / "tty", holding(sent)):
        code, probe = tried(tmp_path, section)
    said = " ".join(probe["findings"])

    if sent == configured:
        assert (0, "") == (code, said)
    else:
        assert 1 == code
        assert f'word_order = "{sent}" (then 50.853 mS/cm at 24.03 °C) is likely' in said


def test_a_modbus_unit_that_does_not_answer_is_said_to_be_silent(tmp_path: Path) -> None:
    """As one of another address; what to check is in the sentence."""
    section = MODBUS.format(port=tmp_path / "tty", order="ABCD").replace("unit = 1", "unit = 7")
    section = section.replace("period_s = 0.2", "period_s = 1.0\ntimeout_s = 0.2")
    with talking(tmp_path / "tty", holding("ABCD")):
        code, probe = tried(tmp_path, section)

    assert (1, 0) == (code, probe["readings"])
    assert "No reply: likely are no power" in " ".join(probe["findings"]), probe["faults"]


def test_two_units_on_one_line_are_tried_together(tmp_path: Path) -> None:
    """They share the port, as in the service; each has its own judgement."""
    first = MODBUS.format(port=tmp_path / "tty", order="ABCD")
    second = first.replace("ct-1", "ct-2").replace("unit = 1", "unit = 2")
    config = tmp_path / "brinewright.toml"
    sections = (first + second).replace("period_s = 0.2", "period_s = 0.5")
    config.write_text(configuration(sections), encoding="utf-8")
    memory: dict[tuple[int, int], int] = {}
    Place(0).hold(memory, 50.853)
    Place(2).hold(memory, 24.03)
    units = ModbusUnits({number: lambda: memory for number in (1, 2)})
    with talking(tmp_path / "tty", RtuSpeaker(units)):
        answered = run_here(["probe", "try", "--json", "--seconds", "1.5", "--config", str(config)])
    probes = json.loads(answered.out)["probes"]

    assert ["probe ct-1 of mix-1", "probe ct-2 of mix-1"] == [each["name"] for each in probes]
    assert [True, True] == [each["right"] for each in probes], probes
