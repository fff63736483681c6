"""All small changes of a module that a test should notice, as the library mutmut makes them.

Left out, since no test of behaviour is meant to see them: sentences for a person (a text with a
blank in it), all but one change of a word, calls with an argument less, which the type checker
sees, arguments named `strict`, which are assertions of our own, and outside of functions all but
numbers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import libcst as cst
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.file_mutation import create_mutations

ASSERTIONS = ("strict",)


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of one module.

    Attributes:
        file: The module, relative to the root.
        line: Where, from 1.
        last_line: Where the changed part ends.
        reach: First and last line of the function that holds it; None outside of any.
        old: What stood there, on one line.
        new: What stands there now, likewise.
        source: The line of the module on which the change begins, without blanks around it.
    """

    file: str
    line: int
    last_line: int
    reach: tuple[int, int] | None
    old: str
    new: str
    source: str
    _module: cst.Module
    _nodes: tuple[cst.CSTNode, cst.CSTNode]

    @property
    def change(self) -> str:
        """The change in short."""
        return f"`{self.old}` → `{self.new}`"

    def text(self) -> str:
        """Return the whole module with the change."""
        changed = self._module.deep_replace(*self._nodes)
        assert isinstance(changed, cst.Module)
        code: str = changed.code
        return code


def mutants(root: Path, file: str) -> Iterator[Mutant]:
    """Yield every mutant of a module, in the order in which the library makes them."""
    text = (root / file).read_text()
    module, mutations, _, _ = create_mutations(file, text)
    lines = text.splitlines()
    asserted = _Asserted()
    module.visit(asserted)
    places = MetadataWrapper(module, unsafe_skip_copy=True).resolve(PositionProvider)
    for each in mutations:
        old, new = each.original_node, each.mutated_node
        # Of a class it is the statement that is named here, and no function.
        outer: cst.CSTNode | None = each.contained_by_top_level_function
        within = places.get(outer) if isinstance(outer, cst.FunctionDef) else None
        place = places.get(old)
        if place is None or (within is None and not isinstance(old, cst.BaseNumber)):
            continue
        if old in asserted.values or not _counts(old, new):
            continue
        yield Mutant(
            file,
            place.start.line,
            place.end.line,
            None if within is None else (within.start.line, within.end.line),
            _short(module, old),
            _short(module, new),
            lines[place.start.line - 1].strip(),
            module,
            (old, new),
        )


def _counts(old: cst.CSTNode, new: cst.CSTNode) -> bool:
    """Say whether a test of behaviour is meant to see a change."""
    if isinstance(old, cst.SimpleString) and isinstance(new, cst.SimpleString):
        return " " not in old.value and new.value.strip("rfb'\"").startswith("XX")
    if isinstance(old, cst.Call) and isinstance(new, cst.Call):
        changed = [a for a, b in zip(old.args, new.args, strict=False) if a is not b]
        return len(old.args) == len(new.args) and not any(_name(a) in ASSERTIONS for a in changed)
    return True


class _Asserted(cst.CSTVisitor):
    """Gathers what is given to arguments that are assertions."""

    def __init__(self) -> None:
        super().__init__()
        self.values: set[cst.CSTNode] = set()

    def visit_Arg(self, node: cst.Arg) -> None:
        """Take in one argument."""
        if _name(node) in ASSERTIONS:
            self.values.add(node.value)


def _name(argument: cst.Arg) -> str:
    return argument.keyword.value if argument.keyword else ""


def _short(module: cst.Module, node: cst.CSTNode) -> str:
    return " ".join(module.code_for_node(node).split())
