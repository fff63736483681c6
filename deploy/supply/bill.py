"""Writes the bill of materials: `python -m deploy.supply.bill [FOLDER]`, on standard output.

CycloneDX 1.6 as JSON.  It follows from the locks and from the metadata of the packages that they
install (this interpreter's environment must hold them): no time, no chance, no path and no address
goes into it, so that the same locks give the same bytes.

Source: CycloneDX 1.6 (ECMA-424), written by the library of its own project.
"""

from __future__ import annotations

import json
import sys
import tomllib
import uuid
from collections.abc import Sequence
from importlib.metadata import Distribution
from pathlib import Path

from cyclonedx.model import Property
from cyclonedx.model.bom import Bom, BomMetaData
from cyclonedx.model.component import Component, ComponentScope, ComponentType
from cyclonedx.model.license import LicenseAcknowledgement, LicenseExpression
from cyclonedx.output import make_outputter
from cyclonedx.schema import OutputFormat, SchemaVersion
from packageurl import PackageURL
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from deploy.supply.licences import expression, rules, statement
from deploy.supply.locked import LOCKS, ROOT, Pin, counts, digest, installed, pins

_OWN = uuid.UUID("6b1d2b52-7c8e-5d0f-9d0c-5f0f4f3f2c11")
"""Name space of our serial numbers; drawn once."""


class BillError(Exception):
    """The bill cannot be written; the sentence says why and what to do."""


def bill(folder: Path, present: dict[str, Distribution]) -> str:
    """Return the bill of materials of the locks in a folder.

    Args:
        folder: Of the project.
        present: What is installed, by canonical name.

    Raises:
        BillError: A package of a lock is not installed, in its version or at all.
    """
    project = tomllib.loads((folder / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    locked = [each for lock in LOCKS for each in pins(folder, lock)]
    components = {each.name: _component(each, present) for each in reversed(locked)}
    ours = Component(
        name=project["name"],
        version=project["version"],
        type=ComponentType.APPLICATION,
        bom_ref=project["name"],
        description=project["description"],
        licenses=[LicenseExpression(project["license"])],
    )
    locks = {lock: digest(folder, lock) for lock in LOCKS}
    made = Bom(
        serial_number=uuid.uuid5(_OWN, json.dumps([project["version"], locks])),
        components=components.values(),
        metadata=BomMetaData(component=ours),
        properties=[Property(name=f"sha256 of {lock}", value=each) for lock, each in locks.items()],
    )
    made.register_dependency(ours, _named(project["dependencies"], components))
    for name, component in components.items():
        wanted = present[name].metadata.get_all("Requires-Dist") or []
        made.register_dependency(component, _named(wanted, components))
    return _text(made)


def _component(pin: Pin, present: dict[str, Distribution]) -> Component:
    package = present.get(pin.name)
    if package is None or package.version != pin.version:
        found = "is not installed" if package is None else f"is installed as {package.version}"
        raise BillError(f"{pin.name} {pin.version} {found}: run this by deploy/lock")
    says = statement(package.metadata)
    means = expression(pin.name, says, rules())
    declared = LicenseAcknowledgement.DECLARED
    stated = LicenseExpression(
        means, acknowledgement=declared if says == means else LicenseAcknowledgement.CONCLUDED
    )
    return Component(
        name=pin.name,
        version=pin.version,
        bom_ref=f"{pin.name}=={pin.version}",
        purl=PackageURL("pypi", name=pin.name, version=pin.version),
        # What only builds the program lies on a station, and never runs with it.
        scope=ComponentScope.REQUIRED if pin.lock == LOCKS[0] else ComponentScope.OPTIONAL,
        licenses=[stated] if means else [],
    )


def _named(requirements: Sequence[str], components: dict[str, Component]) -> list[Component]:
    wanted = [each for each in map(Requirement, requirements) if counts(each.marker)]
    names = sorted({canonicalize_name(each.name) for each in wanted})
    return [components[name] for name in names if name in components]


def _text(made: Bom) -> str:
    outputter = make_outputter(made, OutputFormat.JSON, SchemaVersion.V1_6)
    whole = json.loads(outputter.output_as_string())
    # The moment of making is the one thing that would differ each time; the standard asks for none.
    del whole["metadata"]["timestamp"]
    return json.dumps(whole, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def main(arguments: Sequence[str]) -> int:
    """Write the bill of a folder's locks; return 0, or 1 when it cannot be made."""
    folder = Path(arguments[0]) if arguments else ROOT
    try:
        sys.stdout.write(bill(folder, installed()))
    except BillError as exc:
        sys.stderr.write(f"bill: {exc}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
