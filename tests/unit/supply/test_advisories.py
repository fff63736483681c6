"""Known vulnerabilities come from a database that was brought; what is unknown is never good."""

from __future__ import annotations

import json
import re
import zipfile
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from deploy.supply.advisories import DatabaseError, check
from deploy.supply.audit import BAD, GOOD, UNKNOWN, differences, main, vulnerabilities

NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
PINNED = {"saltbox": "2.4.1"}


def advisory(*, number: int = 1, package: str = "saltbox", **more: object) -> dict[str, Any]:
    """An advisory of a package that was made up, in the shape of the format."""
    affected: dict[str, object] = {"package": {"ecosystem": "PyPI", "name": package}}
    affected |= {key: more.pop(key) for key in ("versions", "ranges") if key in more}
    return {
        "id": f"TEST-2026-{number}",
        "modified": "2026-03-01T00:00:00Z",
        "summary": "reads past the end",
        "affected": [affected],
        **more,
    }


def between(*events: tuple[str, str], kind: str = "ECOSYSTEM") -> dict[str, Any]:
    """The key `ranges` with one range."""
    return {"ranges": [{"type": kind, "events": [{name: at} for name, at in events]}]}


HARMLESS = advisory(number=9, package="otherbox", **between(("introduced", "0")))


def database(folder: Path, *advisories: Mapping[str, Any] | str) -> Path:
    """A zip of advisories; a text goes into it as it is."""
    path = folder / "all.zip"
    with zipfile.ZipFile(path, "w") as packed:
        for number, each in enumerate(advisories):
            text = each if isinstance(each, str) else json.dumps(each)
            packed.writestr(f"{number}.json", text)
    return path


@pytest.mark.parametrize(
    "says, certain",
    [
        ({"versions": ["2.4", "2.4.1"]}, True),
        ({"versions": ["2.4.1.0"]}, True),
        ({"versions": ["2.4", "not a version"]}, None),
        (between(("introduced", "0")), True),
        (between(("introduced", "0"), ("fixed", "2.4.1")), None),
        (between(("introduced", "0"), ("fixed", "2.10")), True),
        (between(("introduced", "2.4.1"), ("last_affected", "2.4.1")), True),
        (between(("introduced", "0"), ("last_affected", "2.4")), None),
        (between(("introduced", "2.5")), None),
        (between(("fixed", "2.4"), ("introduced", "0"), ("introduced", "2.4.1")), True),
        (between(("introduced", "0"), ("fixed", "3"), kind="GIT"), False),
        (between(("introduced", "zero")), False),
        ({}, False),
        ({"versions": ["2.4.1"], "withdrawn": "2026-03-01T00:00:00Z"}, None),
    ],
)
def test_a_version_is_judged_by_lists_and_ranges(
    tmp_path: Path, says: dict[str, Any], *, certain: bool | None
) -> None:
    """Affected for certain, perhaps where nothing tells, or not (None)."""
    result = check(database(tmp_path, advisory(**says), HARMLESS), PINNED)

    assert ([] if certain is None else [certain]) == [each.certain for each in result.matches]


def test_an_advisory_of_another_ecosystem_or_package_does_not_concern_us(tmp_path: Path) -> None:
    """The same name elsewhere is another program."""
    elsewhere = advisory(versions=["2.4.1"])
    elsewhere["affected"][0]["package"]["ecosystem"] = "npm"

    assert [] == check(database(tmp_path, elsewhere, HARMLESS), PINNED).matches


def test_a_package_is_known_however_its_name_is_spelt(tmp_path: Path) -> None:
    """Capitals, points and underscores in a name mean nothing."""
    path = database(tmp_path, advisory(package="Python_DateUtil", versions=["1"]))

    assert ["python-dateutil"] == [
        each.package for each in check(path, {"python-dateutil": "1"}).matches
    ]


def test_a_folder_is_a_database_as_well_as_a_zip(tmp_path: Path) -> None:
    """The export may have been unpacked."""
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep/one.json").write_text(json.dumps(advisory(versions=["2.4.1"])))

    assert 1 == len(check(tmp_path, PINNED).matches)


@pytest.mark.parametrize("content", [None, "not a zip", "zip without advisories"])
def test_what_is_no_database_checks_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str | None
) -> None:
    """Missing, damaged or empty: it says that nothing was checked, and why."""
    path = tmp_path / "all.zip"
    if content == "not a zip":
        path.write_text(content)
    elif content:
        database(tmp_path, "[]")
    with pytest.raises(DatabaseError):
        check(path, PINNED)

    assert UNKNOWN == vulnerabilities(path, PINNED, NOW)
    assert capsys.readouterr().out.startswith("known vulnerabilities: not checked; ")


def test_without_a_database_it_says_that_nothing_was_checked(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Nothing known is not the same as nothing there."""
    assert UNKNOWN == vulnerabilities(None, PINNED, NOW)
    assert "not checked" in capsys.readouterr().out


@pytest.mark.parametrize(
    "held, age, code, words",
    [
        ((HARMLESS,), timedelta(days=1), GOOD, "0 in 1 packages, by 1 advisories"),
        ((HARMLESS,), timedelta(days=60), UNKNOWN, "out of date"),
        ((HARMLESS, "{"), timedelta(days=1), UNKNOWN, "not all checked: 1 files"),
        ((HARMLESS, "[" * 100_000), timedelta(days=1), UNKNOWN, "not all checked: 1 files"),
        (
            (HARMLESS, {**HARMLESS, "modified": "yesterday"}),
            timedelta(days=1),
            UNKNOWN,
            "not all checked: 1 files",
        ),
        (
            (advisory(**between(("introduced", "0"), ("fixed", "2.5"))),),
            timedelta(days=1),
            BAD,
            "saltbox 2.4.1 is affected by TEST-2026-1: reads past the end; mended in 2.5",
        ),
        ((advisory(),), timedelta(days=1), BAD, "saltbox 2.4.1 may be affected by"),
        (
            (advisory(versions=["2.4.1"], summary="\x1b[2J\n"),),
            timedelta(days=60),
            BAD,
            "TEST-2026-1: ?[2J?",
        ),
    ],
)
def test_only_a_whole_and_recent_database_without_a_match_is_good(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    held: tuple[Mapping[str, Any] | str, ...],
    age: timedelta,
    code: int,
    words: str,
) -> None:
    """Out of date, damaged in part, or uncertain: none of them passes."""
    newest = datetime.fromisoformat(HARMLESS["modified"])

    assert code == vulnerabilities(database(tmp_path, *held), PINNED, newest + age)
    assert words in capsys.readouterr().out


def test_a_file_that_is_too_large_is_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A packed file may unpack to more than the memory there is."""
    monkeypatch.setattr("deploy.supply.advisories.LARGEST_ENTRY_BYTES", 1000)
    path = database(tmp_path, HARMLESS, advisory(details="x" * 2000))

    assert ["1.json"] == check(path, PINNED).unreadable


def test_an_environment_is_compared_with_the_bill() -> None:
    """What is missing, and what has another version."""
    assert [
        "brinebox 1.0 is in the bill and not installed",
        "saltbox is installed as 2.4.1; the bill has 2.4",
    ] == differences({"saltbox": "2.4", "brinebox": "1.0"}, PINNED)


def test_the_audit_of_an_environment_as_locked_is_good(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every package as in the bill, every licence allowed, no advisory: all is known."""
    now = datetime.now(UTC).isoformat()
    code = main(["--database", str(database(tmp_path, {**HARMLESS, "modified": now}))])
    packages, licences, *_ = capsys.readouterr().out.splitlines()

    assert GOOD == code
    assert re.fullmatch(r"packages: (\d+) of \1 as in the bill of materials", packages)
    assert re.fullmatch(r"licences: (\d+) of \1 allowed", licences)


def test_the_audit_reports_a_package_that_the_bill_has_otherwise(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It ends with 1 whatever the rest says."""
    bill = tmp_path / "bill.json"
    bill.write_text(json.dumps({"components": [{"name": "pydantic", "version": "0.1"}]}))

    assert BAD == main(["--bill", str(bill)])
    assert "pydantic is installed as" in capsys.readouterr().out
