"""Two probes in one reservoir, a few draws of the campaign."""

from __future__ import annotations

from collections import Counter

from tests.campaigns.pairs import run


def test_a_batch_goes_on_when_something_happens_to_one_of_its_probes() -> None:
    """Nothing is released falsely, ended, suspended or disturbed, and what has left is named."""
    whole: Counter[str] = Counter()
    for _, counts in run(range(20, 25), 1, 1):
        whole.update(counts)
    wrong = {name: n for name, n in whole.items() if n and not name.startswith("to be")}

    assert {} == wrong
    assert 0 < whole["to be released"]
