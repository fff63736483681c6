"""Published conductivities of potassium chloride solutions, mS/cm.

Each table names its source, and the handbook that reprints it where one does.
Where the figures were not seen in the source itself, it says from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.curves import ValueTable, cubic

_WARM = (0.0, 5.0, 10.0, 15.0, 18.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0)
_WARM_WITHOUT_18 = tuple(t for t in _WARM if t != 18.0)  # noqa: PLR2004 - the row that is missing


@dataclass(frozen=True, slots=True)
class Published:
    """A solution whose conductivity others have measured.

    Attributes:
        key: Short name, used in records.
        name: For a person.
        table: mS/cm at °C (ITS-90).
        u_percent: Standard uncertainty of a table value, %.  What a source
            states without a coverage factor is taken as standard, the safe side.
        source: Where the values come from.
        likeness: The key of a primary standard whose shape between the rows is
            borrowed; empty where the table is dense enough by itself.
    """

    key: str
    name: str
    table: ValueTable
    u_percent: float
    source: str
    likeness: str = ""

    def conductivity_mS_cm(self, temperature_C: float) -> float:
        """Return the conductivity at a temperature within the table.

        Raises:
            calibration.curves.OutsideTable: It is not within.
        """
        if not self.likeness:
            return cubic(self.table, temperature_C)
        self.table.check(temperature_C)
        like = PUBLISHED[self.likeness].table
        ratios = tuple(
            value / cubic(like, at)
            for at, value in zip(self.table.temperatures_C, self.table.values, strict=True)
        )
        ratio = cubic(ValueTable(self.name, self.table.temperatures_C, ratios), temperature_C)
        return ratio * cubic(like, temperature_C)


_IUPAC = (
    "Pratt, Koch, Wu and Berezansky (2001), Pure Appl. Chem. 73, 1783-1793, the solvent's own"
    " conductivity subtracted; reprinted in the CRC Handbook of Chemistry and Physics, 'Standard"
    " solutions for calibrating conductivity cells' (the handbook from memory)"
)
_ASTM = (
    "ASTM D1125 and OIML R 56 (1981), after Jones and Bradshaw (1933), times 0.9995 from the"
    " international ohm to SI; from memory"
)
_MCKEE = "computed with McKee (2009), J. Solution Chem. 38, 1155, scaled to the label at 25 °C"


def _iupac(molality: str, temperatures_C: tuple[float, ...], *uS_cm: float) -> Published:
    name = f"KCl {molality} mol/kg primary standard"
    table = ValueTable(name, temperatures_C, tuple(value / 1000.0 for value in uS_cm))
    u_percent = 0.03 if molality == "0.01" else 0.04
    return Published(f"kcl-{molality}-mol-kg", name, table, u_percent, _IUPAC)


def _demal(demal: str, likeness: str, *uS_cm: float) -> Published:
    name = f"KCl {demal} demal"
    table = ValueTable(name, (0.0, 18.0, 25.0), tuple(0.9995 * value / 1000.0 for value in uS_cm))
    return Published(f"kcl-{demal}-demal", name, table, 0.04, _ASTM, likeness)


def _sold(label: str, likeness: str, *mS_cm: float) -> Published:
    name = f"KCl solution labelled {label} at 25 °C"
    table = ValueTable(name, (15.0, 18.0, 20.0, 22.0, 24.0, 26.0, 28.0, 30.0), mS_cm)
    key = "kcl-" + label.split(maxsplit=1)[0].replace(".", "-")
    return Published(key, name, table, 0.05, _MCKEE, likeness)


def _kelvin_scale(t68: float) -> float:
    """ITS-90 of IPTS-68.  Source: Saunders (1990), from memory."""
    return t68 / 1.00024


_PSS78 = Published(
    "kcl-pss-78",
    "KCl solution that defines practical salinity, 32.4356 g/kg",
    ValueTable(
        "the PSS-78 KCl solution",
        tuple(_kelvin_scale(t) for t in (15.0, 20.0, 25.0, 28.0)),
        # The paper's own absolute value is at 15 °C; the others keep McKee's ratios to it.
        tuple(value * 42.914 / 42.900 for value in (42.900, 47.555, 52.314, 55.212)),
    ),
    0.05,
    "Culkin and Smith (1980), 42.914 mS/cm at 15 °C; temperature ratios computed with"
    " McKee (2009), J. Solution Chem. 38, 1155",
    "kcl-1.0-mol-kg",
)

_ALL = (
    _iupac("0.01", _WARM, 772.92, 890.96, 1013.95, 1141.45, 1219.93, 1273.03, 1408.23, 1546.63,
           1687.79, 1831.27, 1976.62, 2123.43),
    _iupac("0.1", _WARM, 7116.85, 8183.70, 9291.72, 10437.1, 11140.6, 11615.9, 12824.6, 14059.2,
           15316.0, 16591.0, 17880.6, 19180.9),
    _iupac("1.0", _WARM_WITHOUT_18, 63488, 72030, 80844, 89900, 99170, 108620, 118240, 127970,
           137810, 147720, 157670),
    _demal("0.01", "kcl-0.01-mol-kg", 773.6, 1220.5, 1408.8),
    _demal("0.1", "kcl-0.1-mol-kg", 7138.0, 11167.0, 12856.0),
    _demal("1.0", "kcl-1.0-mol-kg", 65176.0, 97838.0, 111342.0),
    _PSS78,
    _sold("1413 µS/cm", "kcl-0.01-mol-kg", 1.1453, 1.2241, 1.2774, 1.3312, 1.3856, 1.4405,
          1.4959, 1.5518),
    _sold("12.88 mS/cm", "kcl-0.1-mol-kg", 10.478, 11.186, 11.664, 12.147, 12.635, 13.127,
          13.622, 14.122),
    _sold("53.0 mS/cm", "kcl-1.0-mol-kg", 43.471, 46.284, 48.182, 50.097, 52.029, 53.975,
          55.935, 57.907),
    _sold("80.0 mS/cm", "kcl-1.0-mol-kg", 65.922, 70.083, 72.888, 75.717, 78.567, 81.438,
          84.326, 87.232),
    _sold("111.8 mS/cm", "kcl-1.0-mol-kg", 92.570, 98.261, 102.095, 105.957, 109.846, 113.760,
          117.695, 121.651),
)  # fmt: skip

PUBLISHED: dict[str, Published] = {each.key: each for each in _ALL}
"""Every solution with a published table, by key."""

SOLVENT = ValueTable(
    "water in equilibrium with air",
    _WARM,
    tuple(v / 1000.0 for v in
          (0.58, 0.68, 0.79, 0.89, 0.95, 0.99, 1.10, 1.20, 1.30, 1.40, 1.51, 1.61)),
)  # fmt: skip
"""What the water of a solution conducts by itself, mS/cm, with the carbon dioxide of air.

Source: Pratt et al. (2001), last column of the table.
"""
