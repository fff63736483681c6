"""Published advisories for releases that are known to be unsafe, as two real databases word them.

Source: Python Packaging Advisory Database (PYSEC) and GitHub Advisory Database (GHSA), in the Open
Source Vulnerability format; texts and lists of versions are shortened, ids, ranges, dates and
severities are theirs.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from deploy.supply.advisories import Match, check
from deploy.supply.audit import sentence

COMMITS = {
    "type": "GIT",
    "repo": "https://example.org/requests",
    "events": [{"introduced": "0"}, {"fixed": "c45d7c49ea75133e52ab22a8e9e13173938e36ff"}],
}


def pysec(
    identifier: str,
    package: str,
    aliases: Sequence[str],
    events: Sequence[dict[str, str]],
    versions: Sequence[str],
) -> dict[str, Any]:
    """An advisory as PYSEC writes it: a range of versions, and a list of them too."""
    affected = {
        "package": {"name": package, "ecosystem": "PyPI", "purl": f"pkg:pypi:{package}"},
        "ranges": [{"type": "ECOSYSTEM", "events": events}],
        "versions": versions,
    }
    when = "2021-06-16T00:03:24.800813Z"
    return {"id": identifier, "modified": when, "aliases": aliases, "affected": [affected]}


SINCE_EVER = {"introduced": "0"}
REQUESTS = pysec(
    "PYSEC-2018-28",
    "requests",
    ["CVE-2018-18074"],
    [SINCE_EVER, {"fixed": "2.20.0"}],
    ["2.18.4", "2.19.0", "2.19.1"],
)
REQUESTS["affected"][0]["ranges"].insert(0, COMMITS)
WAITRESS = pysec(
    "PYSEC-2022-205",
    "waitress",
    ["CVE-2022-31015", "GHSA-f5x9-8jwc-25rw"],
    [{"introduced": "2.1.0"}, {"fixed": "2.1.2"}],
    ["2.1.0", "2.1.1"],
)
ADVISORIES = [
    {
        **pysec(
            "PYSEC-2019-133",
            "urllib3",
            ["CVE-2019-11324"],
            [SINCE_EVER, {"fixed": "1.24.2"}],
            ["0.2", "1.24", "1.24.1"],
        ),
        "modified": "2019-09-14T18:15:00Z",
        "details": "The urllib3 library before 1.24.2 for Python mishandles certain cases",
    },
    {
        "schema_version": "1.3.0",
        "id": "GHSA-mh33-7rrq-662w",
        "modified": "2021-06-16T19:56:57Z",
        "aliases": ["CVE-2019-11324"],
        "summary": "Improper Certificate Validation",
        "severity": [{"type": "CVSS_V3", "score": "CVSS:3.0/AV:N/AC:L/PR:N/UI:N/S:U/C:N/I:H/A:N"}],
        "affected": [
            {
                "package": {"ecosystem": "PyPI", "name": "urllib3"},
                "ranges": [{"type": "ECOSYSTEM", "events": [SINCE_EVER, {"fixed": "1.24.2"}]}],
            }
        ],
        "database_specific": {"cwe_ids": ["CWE-295"], "severity": "HIGH"},
    },
    {
        **REQUESTS,
        "details": "The Requests package before 2.20.0 for Python sends an HTTP Authorization"
        " header to an http URI\nupon receiving a redirect.",
    },
    {
        **pysec(
            "PYSEC-2019-217",
            "jinja2",
            ["CVE-2019-10906"],
            [SINCE_EVER, {"fixed": "2.10.1"}],
            ["2.0rc1", "2.10", "2.9.6"],
        ),
        "details": "In Pallets Jinja before 2.10.1, str.format_map allows a sandbox escape.",
    },
    {
        **pysec(
            "PYSEC-2023-212",
            "urllib3",
            ["CVE-2023-45803", "GHSA-g4mx-q9vg-27p4"],
            # In this order there: the older branch comes second.
            [{"introduced": "2.0.0"}, {"fixed": "2.0.7"}, SINCE_EVER, {"fixed": "1.26.18"}],
            ["1.26.17", "2.0.6"],
        ),
        "severity": [{"type": "CVSS_V3", "score": "CVSS:3.1/AV:A/AC:H/PR:H/UI:N/S:U/C:H/I:N/A:N"}],
    },
    WAITRESS,
]
BEFORE_1_0 = {
    "id": "PYSEC-2019-62",
    "package": {"name": "urllib3", "ecosystem": "PyPI"},
    "affects": {"ranges": [{"type": "ECOSYSTEM", "fixed": "1.24.3"}]},
    "modified": "2019-06-13T04:29:00Z",
}
"""The form of the first years, which names no `affected`."""


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """A folder of these advisories."""
    for each in ADVISORIES:
        (tmp_path / f"{each['id']}.json").write_text(json.dumps(each))
    return tmp_path


def matches_of(database: Path, name: str, version: str) -> list[Match]:
    """What the database says of one release."""
    result = check(database, {name: version})
    assert [] == result.unreadable
    return result.matches


@pytest.mark.parametrize(
    "name, version, advisories",
    [
        ("urllib3", "1.24.1", ["GHSA-mh33-7rrq-662w", "PYSEC-2023-212"]),
        ("urllib3", "1.24.2", ["PYSEC-2023-212"]),
        ("urllib3", "1.26.18", []),
        ("urllib3", "2.0.6", ["PYSEC-2023-212"]),
        ("urllib3", "2.0.7", []),
        ("requests", "2.19.0", ["PYSEC-2018-28"]),
        ("requests", "2.20.0", []),
        ("jinja2", "2.10", ["PYSEC-2019-217"]),
        ("jinja2", "2.10.1", []),
        ("waitress", "2.0.0", []),
        ("waitress", "2.1.1", ["PYSEC-2022-205"]),
        ("waitress", "2.1.2", []),
    ],
)
def test_a_release_that_is_known_to_be_unsafe_is_found(
    database: Path, name: str, version: str, advisories: list[str]
) -> None:
    """And the one that mends it is not, nor one from before the fault."""
    assert advisories == sorted(each.advisory for each in matches_of(database, name, version))


def test_what_two_databases_describe_is_said_once(database: Path) -> None:
    """By the one that states a severity, with the number that both know it by."""
    said = [sentence(each) for each in matches_of(database, "urllib3", "1.24.1")]

    assert (
        "urllib3 1.24.1 is affected by GHSA-mh33-7rrq-662w (CVE-2019-11324), severity HIGH:"
        " Improper Certificate Validation; mended in 1.24.2"
    ) in said
    assert 2 == len(said)


def test_a_severity_that_is_a_vector_alone_is_said_as_it_is(database: Path) -> None:
    """Versions that mend it come in the order of releases, and no commit is among them."""
    (match,) = matches_of(database, "urllib3", "2.0.6")
    (other,) = matches_of(database, "requests", "2.19.0")

    assert "CVSS:3.1/AV:A/AC:H/PR:H/UI:N/S:U/C:H/I:N/A:N" == match.severity
    assert ("1.26.18", "2.0.7") == match.fixed
    assert ("2.20.0",) == other.fixed


def test_details_stand_for_a_summary_that_is_missing(database: Path) -> None:
    """Their first line, with a sign that they go on."""
    (match,) = matches_of(database, "requests", "2.19.0")

    assert match.summary.startswith("The Requests package before 2.20.0 for Python sends")
    assert match.summary.endswith(" ...")


def test_what_was_withdrawn_concerns_nobody(database: Path) -> None:
    """The same advisory, taken back by who published it."""
    withdrawn = {**WAITRESS, "withdrawn": "2024-01-01T00:00:00Z"}
    (database / "PYSEC-2022-205.json").write_text(json.dumps(withdrawn))

    assert [] == matches_of(database, "waitress", "2.1.1")


def test_the_form_of_the_first_years_is_unreadable_and_so_never_harmless(database: Path) -> None:
    """What it says is not guessed at."""
    (database / "old.json").write_text(json.dumps(BEFORE_1_0))

    assert ["old.json"] == check(database, {"urllib3": "2.0.7"}).unreadable
