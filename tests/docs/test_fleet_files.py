"""What deploy/fleet hands out: rules, dashboard, scrape configuration, compose file, template.

Real programs read them where there is one: promtool and vmalert. Names of metrics and labels are
those that a station's metrics really have.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml  # type: ignore[import-untyped]

from daemon.entries import Follower, Phase
from daemon.mixing.alarm.alarm_state import LifecycleState
from daemon.mixing.alarm.catalogue import CATALOGUE, Priority
from daemon.page.metrics import families
from tests.page.page_parts import alarm_view, station_view

FLEET = Path(__file__).parents[2] / "deploy/fleet"
CASES = Path(__file__).with_name("fleet_rules.yaml")
RULES = FLEET / "rules.yaml"
ADDED = {"station", "job", "instance"}
"""Labels that whoever reads the metrics adds, by `targets/NAME.json`."""
MEANT = {
    "name": set(CATALOGUE),
    "state": {*map(str, LifecycleState)},
    "priority": {*map(str, Priority)},
    "brinewright_phase": {*map(str, Phase)},
}
"""What the values of a label may be."""


def run(program: str, *words: str | Path) -> tuple[int, str]:
    """Run a program of the system; return its exit code and all that it said."""
    found = shutil.which(program)
    assert found, f"{program} is missing: sudo apt install prometheus victoria-metrics"
    done = subprocess.run([found, *words], capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def known() -> dict[str, set[str]]:
    """The labels of each sample that a station can give, by the sample's name."""
    view = station_view(alarms=(alarm_view(),), followers=(Follower("mqtt", 3, 1.5),))
    found: dict[str, set[str]] = {}
    for family in families(view):
        for sample in family.samples:
            found.setdefault(sample.name, set()).update(sample.labels)
    return found


def rules() -> list[dict[str, Any]]:
    """Every rule."""
    (group,) = yaml.safe_load(RULES.read_text(encoding="utf-8"))["groups"]
    return list(group["rules"])


def queries() -> list[str]:
    """Every expression of the rules and of the dashboard."""
    panels = json.loads((FLEET / "dashboard.json").read_text(encoding="utf-8"))["panels"]
    shown = [each["expr"] for panel in panels for each in panel["targets"]]
    return [*(each["expr"] for each in rules()), *shown]


def selectors(query: str) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield each metric that an expression names, with the values that it asks of labels."""
    for name, matchers in re.findall(r"\b(brinewright_\w+|up)\b(?:\{([^}]*)\})?(?!=)", query):
        yield name, dict(re.findall(r'(\w+)\s*(?:=~|!~|!=|=)\s*"([^"]*)"', matchers))


@pytest.mark.server
def test_a_metrics_server_reads_the_rules() -> None:
    """Two of them do: expressions, durations and templates."""
    checks = [
        run("promtool", "check", "rules", RULES),
        run("vmalert", "-dryRun", f"-rule={RULES}"),
        run("promtool", "check", "config", FLEET / "scrape.yaml"),
    ]

    assert [0, 0, 0] == [code for code, _ in checks], checks


@pytest.mark.server
def test_a_rule_with_a_fault_is_found(tmp_path: Path) -> None:
    """The check above can fail."""
    broken = tmp_path / "rules.yaml"
    broken.write_text(RULES.read_text(encoding="utf-8").replace('"} == 0', '"} == = 0', 1))

    assert 0 != run("promtool", "check", "rules", broken)[0]


@pytest.mark.server
def test_each_rule_fires_when_it_should_and_not_else(tmp_path: Path) -> None:
    """Against series, by the metrics server's own test of rules; which can fail."""
    code, said = run("promtool", "test", "rules", CASES)
    assert 0 == code, said

    wrong = CASES.read_text(encoding="utf-8").replace("../../deploy/fleet/rules.yaml", str(RULES))
    (tmp_path / "cases.yaml").write_text(wrong.replace("values: 1 1 0 0 0 0", "values: 1x5"))
    assert 0 != run("promtool", "test", "rules", tmp_path / "cases.yaml")[0]


def test_each_rule_is_tested_and_says_what_to_do() -> None:
    """A case in which it fires; a summary with the station's name, and an action."""
    cases = yaml.safe_load(CASES.read_text(encoding="utf-8"))["tests"]
    fires = {
        each["alertname"]
        for case in cases
        for each in case["alert_rule_test"]
        if each.get("exp_alerts")
    }

    assert {each["alert"] for each in rules()} == fires
    for each in rules():
        assert "{{ $labels.station }}" in each["annotations"]["summary"]
        assert each["annotations"]["action"].endswith(".")
        assert each["labels"]["severity"] in {"high", "medium", "low"}


@pytest.mark.parametrize("query", queries())
def test_each_expression_names_what_a_station_gives(query: str, known: dict[str, set[str]]) -> None:
    """The metric, its labels, and the values that are asked of them."""
    named = list(selectors(query))

    assert named
    for name, asked in named:
        labels = ADDED if name == "up" else known[name] | ADDED
        assert asked.keys() <= labels, (name, asked)
        for label, values in asked.items():
            if label in MEANT:
                assert set(values.split("|")) <= MEANT[label], (name, label)


def test_a_query_for_a_metric_that_nobody_gives_is_found(known: dict[str, set[str]]) -> None:
    """The check above can fail."""
    assert [("brinewright_gone", {"state": "off"})] == [
        *selectors('max(brinewright_gone{state="off"})')
    ]
    assert "brinewright_gone" not in known


def test_the_dashboard_shows_what_a_fleet_is_looked_at_for() -> None:
    """State of each reservoir, oldest reading, what waits; no two panels in one place."""
    board = json.loads((FLEET / "dashboard.json").read_text(encoding="utf-8"))
    titles = {each["title"] for each in board["panels"]}
    places = [tuple(each["gridPos"].values()) for each in board["panels"]]

    assert {
        "Reservoirs",
        "Oldest reading",
        "Oldest entry that waits",
        "Entries that wait",
    } <= titles
    assert len(set(places)) == len(places)
    assert len({each["id"] for each in board["panels"]}) == len(places)
    assert {"unknown"} == {each["fieldConfig"]["defaults"]["noValue"] for each in board["panels"]}


@pytest.mark.server
@pytest.mark.parametrize(
    "service, program",
    [("database", "victoria-metrics"), ("gate", "vmauth"), ("rules", "vmalert")],
)
def test_each_option_of_the_compose_file_exists(service: str, program: str) -> None:
    """As far as the programs are here."""
    services = yaml.safe_load((FLEET / "compose.yaml").read_text(encoding="utf-8"))["services"]
    _, help_text = run(program, "-help")
    known_options = set(re.findall(r"^  -([\w.]+)", help_text, re.MULTILINE))
    options = {word[1:].partition("=")[0] for word in services[service]["command"]}

    assert len(options) >= 2
    assert set() == options - known_options
