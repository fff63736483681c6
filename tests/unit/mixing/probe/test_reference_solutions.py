"""References as a person writes them: what contradicts itself is refused, in one sentence."""

from __future__ import annotations

import pytest

from calibration.references import own_table, published, seawater
from calibration.solution import ReferenceSolution
from calibration.tables import PUBLISHED
from daemon.mixing.probe.reference_solutions import BadReference, parse

KCL = "kcl-12-88 lot=Q-12 tolerance=0.5"
TABLE = "table lot=Q-12 tolerance=0.5"


@pytest.mark.parametrize(
    "text",
    [
        "air; ice; purified-water limit=0.002",
        f"{KCL} label=12.9 expiry=2027-01-31 opened=2026-03-01 keeps=30 means=k2 certificate=C-1",
        "kcl-53-0 label=53.0 lot=Q tolerance=0.5",
        "kcl-1413 label=1.413 lot=Q tolerance=1",
        f"{TABLE} values=25:53.0,20:48.2",
        # By the tables in circulation, 5 to 35 °C, printed to three figures.
        f"{TABLE} values=5:8.22,10:9.33,15:10.48,20:11.67,25:12.88,30:14.12,35:15.39",
        # Seawater of salinity 35 near its freezing point, PSS-78 (gsw): 3 % per °C.
        f"{TABLE} values=-2:27.5,0:29.05,2:30.6",
    ],
)
def test_every_word_of_a_reference_is_accepted(text: str) -> None:
    """Right labels, tables and dates make references."""
    assert len(parse(text)) == text.count(";") + 1


@pytest.mark.parametrize("key", PUBLISHED)
def test_each_solution_takes_its_own_value_as_a_label(key: str) -> None:
    """And refuses one that is a tenth off, whichever solution it is."""
    value = PUBLISHED[key].conductivity_mS_cm(25.0)

    assert value == published(key, label_mS_cm=value).label_mS_cm
    with pytest.raises(ValueError, match="is not that of"):
        published(key, label_mS_cm=1.1 * value)


@pytest.mark.parametrize(
    "text, part",
    [
        (f"{KCL} label=53", "53 mS/cm at 25 °C is not that of kcl-12-88, which is 12.88: kcl-53-0"),
        (f"{KCL} label=30", "no solution known here has it: use 'table' with the bottle's own"),
        (f"{KCL} label=12880", "labels are in mS/cm; 12880 µS/cm is 12.88 mS/cm"),
        (f"{TABLE} values=20:53.0,25:48.2", "do not rise with temperature: 48.2 mS/cm at 25 °C"),
        (f"{TABLE} values=20:53.0,25:53.0", "do not rise with temperature"),
        (f"{TABLE} values=20:48.2,21:53.0", "9.5 % per °C between 20 and 21 °C"),
        (f"{TABLE} values=20:52.9,25:53.0", "0.038 % per °C between 20 and 25 °C"),
        (f"{TABLE} values=20:48.2,25:53.0,25:53.1", "25 °C is there twice"),
        ("kcl-12-88 lot=Q tolerance=50", "tolerance=50 is above 10 %; 0.5 may be meant"),
        ("kcl-12-88 lot=Q tolerance=0", "tolerance=0 is no number above 0"),
        ("kcl-12-88 lot=Q tolerance=-0.5", "tolerance=-0.5 is no number above 0"),
        (f"{KCL} lot=Q-13", "lot is given twice"),
        (
            f"{KCL} expiry=2026-01-31 opened=2026-03-01",
            "was opened on 2026-03-01, after its expiry",
        ),
        (f"{KCL} opened=2026-03-01 keeps=30.5", "keeps=30.5 is no whole number of days"),
        (f"{KCL} keeps=30", "keeps=30 counts from the day of opening: opened=... is needed too"),
        ("air lot=3", "'lot=3' is not understood; it takes nothing more"),
        ("ice tolerance=1", "'tolerance=1' is not understood; it takes nothing more"),
        ("seawater salinity=1.026 lot=S tolerance=1", "practical salinity 1.026 is outside"),
    ],
)
def test_what_contradicts_itself_is_one_sentence(text: str, part: str) -> None:
    """What is the matter, and what to write."""
    with pytest.raises(BadReference) as refused:
        parse(f"air; {text}")

    assert part in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("u", [-0.01, float("nan"), float("inf")])
def test_an_uncertainty_of_salinity_that_is_none_is_refused(u: float) -> None:
    """What is negative or not a number is no uncertainty."""
    with pytest.raises(ValueError, match="uncertainty of the salinity"):
        seawater(35.0, u)


def test_the_check_is_of_what_is_written_now_and_not_of_old_records() -> None:
    """A bottle that was accepted once can still be read back from a record."""
    assert 50.0 == ReferenceSolution("old", 50.0).tolerance_percent
    with pytest.raises(ValueError, match="do not rise"):
        own_table("old", {20.0: 53.0, 25.0: 48.2}, ReferenceSolution("old", 0.5))
