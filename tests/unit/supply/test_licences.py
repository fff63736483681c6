"""Every installed package states a licence that is allowed; an unclear one is refused."""

from __future__ import annotations

from importlib.metadata import Distribution
from pathlib import Path

import pytest
from packaging.licenses import canonicalize_license_expression

from deploy.supply.licences import Reading, Rules, expression, fault, rules, statement
from deploy.supply.locked import ROOT, installed, pins

FEW = Rules(
    {"MIT": "permissive", "MPL-2.0": "file by file"},
    {"MIT License": "MIT"},
    {"saltbox": Reading("BSD", "MIT", "its heads")},
)


def test_every_package_of_every_lock_is_under_an_allowed_licence() -> None:
    """What a station installs, what builds it and what tests it."""
    present, allowed = installed(), rules()
    names = {each.name for each in pins(ROOT, "tests/requirements.txt")} & present.keys()

    assert len(names) > 60
    assert [] == [
        sentence
        for name in sorted(names)
        if (sentence := fault(name, statement(present[name].metadata), allowed))
    ]


def test_the_table_is_written_in_identifiers_that_exist() -> None:
    """SPDX knows each; each reading is of a package that a lock installs and is still needed."""
    table, present = rules(), installed()
    means = [*table.words.values(), *(each.means for each in table.packages.values())]

    assert [] == [
        each for each in [*table.allowed, *means] if each != canonicalize_license_expression(each)
    ]
    assert {name: each.says for name, each in table.packages.items()} == {
        name: statement(present[name].metadata) for name in table.packages
    }


@pytest.mark.parametrize(
    "says, why",
    [
        ("MIT", ""),
        ("mit and mpl-2.0", ""),
        ("MIT License", ""),
        (
            "",
            "brinebox states no licence: find out what it means, then write it into licences.toml",
        ),
        (
            "BSD",
            "brinebox says 'BSD': find out what it means, then write it into licences.toml",
        ),
        (
            "MIT AND GPL-3.0-only",
            "brinebox is under MIT AND GPL-3.0-only; not allowed: GPL-3.0-only",
        ),
        ("MIT OR GPL-3.0-only", "brinebox is under MIT OR GPL-3.0-only; not allowed: GPL-3.0-only"),
    ],
)
def test_a_licence_counts_only_where_it_is_clear_and_listed(says: str, why: str) -> None:
    """Of several that are offered, one is to be chosen by a person."""
    assert why == fault("brinebox", says, FEW)


def test_a_reading_counts_no_longer_once_the_package_says_something_else() -> None:
    """A package that changed its licence is looked at again."""
    assert "MIT" == expression("SaltBox", "BSD", FEW)
    assert "" == expression("saltbox", "MIT", FEW)


@pytest.mark.parametrize(
    "lines, says",
    [
        ("License-Expression: MIT\nLicense: BSD", "MIT"),
        ("License: UNKNOWN\nClassifier: License :: OSI Approved :: MIT License", "MIT License"),
        (f"License: {'whole text ' * 20}\nClassifier: License :: Other", "Other"),
        ("Classifier: License :: OSI Approved :: B\nClassifier: License :: A", "A; B"),
        ("Classifier: License :: OSI Approved", ""),
        ("Summary: Says nothing", ""),
    ],
)
def test_a_statement_is_the_clearest_that_a_package_makes(
    tmp_path: Path, lines: str, says: str
) -> None:
    """Its expression, else its field, else its classifiers."""
    head = "Metadata-Version: 2.1\nName: saltbox\nVersion: 1\n"
    (tmp_path / "METADATA").write_text(f"{head}{lines}\n")

    assert says == statement(Distribution.at(tmp_path).metadata)
