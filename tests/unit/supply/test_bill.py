"""The bill of materials lists what the locks install, and is made again byte for byte."""

from __future__ import annotations

import json
import subprocess
import tomllib
from importlib.metadata import Distribution
from pathlib import Path
from typing import Any

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.markers import Marker

from deploy.supply.bill import BillError, bill
from deploy.supply.licences import expression, rules, statement
from deploy.supply.locked import LOCKS, ROOT, counts, digest, installed, pins

BILL = (ROOT / "deploy/bill-of-materials.json").read_text(encoding="utf-8")


@pytest.fixture
def parsed() -> dict[str, Any]:
    """The bill that is handed out."""
    made: dict[str, Any] = json.loads(BILL)
    return made


def test_the_bill_is_what_the_locks_and_the_installed_packages_give() -> None:
    """A changed lock or licence shows at once; `deploy/lock` writes the bill again."""
    assert bill(ROOT, installed()) == BILL


def test_the_bill_follows_the_standard(parsed: dict[str, Any]) -> None:
    """The schema of CycloneDX 1.6 accepts it, and refuses it with a part missing."""
    validator = JsonStrictValidator(SchemaVersion.V1_6)
    assert validator.validate_str(BILL) is None

    del parsed["components"][0]["name"]
    assert validator.validate_str(json.dumps(parsed)) is not None


def test_the_bill_lists_every_pin_of_a_station_and_nothing_else(parsed: dict[str, Any]) -> None:
    """Version by name, those of the build included, and the locks by their SHA-256."""
    locked = {each.name: each.version for lock in LOCKS for each in pins(ROOT, lock)}

    assert locked == {each["name"]: each["version"] for each in parsed["components"]}
    assert {f"sha256 of {lock}": digest(ROOT, lock) for lock in LOCKS} == {
        each["name"]: each["value"] for each in parsed["properties"]
    }


def test_the_bill_says_what_needs_what(parsed: dict[str, Any]) -> None:
    """The program is at the root, and the way to a package of a package can be followed."""
    needs = {each["ref"]: each.get("dependsOn", []) for each in parsed["dependencies"]}
    reached, waiting = set(), ["brinewright"]
    while waiting:
        ref = waiting.pop()
        reached.add(ref)
        waiting += [each for each in needs[ref] if each not in reached]
    required = {each["bom-ref"] for each in parsed["components"] if each["scope"] == "required"}

    assert required <= reached


def test_a_package_that_is_only_for_other_systems_is_not_in_the_bill() -> None:
    """A lock names what Windows needs too; no station installs it."""
    assert "colorama==" in (ROOT / LOCKS[0]).read_text(encoding="utf-8")
    assert "colorama" not in {each.name for each in pins(ROOT, LOCKS[0])}


@pytest.mark.parametrize(
    "marker, on_some_station",
    [
        ("python_version < '3.12'", True),
        ("python_version < '3.11'", False),
        ("platform_machine == 'aarch64'", True),
        ("extra == 'socks'", False),
    ],
)
def test_a_condition_counts_where_some_station_meets_it(
    marker: str, *, on_some_station: bool
) -> None:
    """Python 3.11 to 3.13 on either kind of machine, without extras."""
    assert on_some_station == counts(Marker(marker))


def test_a_package_that_is_not_installed_ends_the_bill_with_a_sentence() -> None:
    """Nothing is listed whose licence could not be read."""
    present = installed()
    del present["pydantic"]

    with pytest.raises(BillError, match=r"pydantic \S+ is not installed: run this by deploy/lock"):
        bill(ROOT, present)


def test_a_bill_names_no_licence_where_none_is_clear(tmp_path: Path) -> None:
    """An unclear statement is left out, and not taken for a licence."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    words = {key: project[key] for key in ("name", "version", "description", "license")}
    table = [f"{key} = {json.dumps(value)}" for key, value in words.items()]
    (tmp_path / "pyproject.toml").write_text(
        "\n".join(["[project]", *table, 'dependencies = ["saltbox"]'])
    )
    for lock in LOCKS:
        (tmp_path / lock).parent.mkdir(exist_ok=True)
        (tmp_path / lock).write_text(f"saltbox==1.0 --hash=sha256:{'0' * 64}\n")
    info = tmp_path / "saltbox-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: saltbox\nVersion: 1.0\n")
    made = json.loads(bill(tmp_path, {"saltbox": Distribution.at(info)}))

    assert [None] == [each.get("licenses") for each in made["components"]]


def test_every_licence_in_the_bill_is_one_that_is_allowed(parsed: dict[str, Any]) -> None:
    """Each package has one, by its own words or by the table of readings."""
    present, allowed = installed(), rules()
    means = {
        each["name"]: [one["expression"] for one in each["licenses"]]
        for each in parsed["components"]
    }

    assert means == {
        name: [expression(name, statement(present[name].metadata), allowed)] for name in means
    }


def test_the_lock_command_says_how_it_is_used() -> None:
    """A word that it does not know ends it before anything is resolved."""
    done = subprocess.run(
        [ROOT / "deploy/lock", "--bill"], capture_output=True, text=True, check=False
    )

    assert (2, "lock: usage: deploy/lock [--check | --upgrade]\n") == (
        done.returncode,
        done.stderr,
    )
