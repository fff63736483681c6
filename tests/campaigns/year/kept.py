"""How much a part of the program keeps, counted in objects, which no allocator rounds up."""

from __future__ import annotations

import gc
from types import BuiltinFunctionType, CodeType, FunctionType, MethodType, ModuleType

PROGRAM = (type, ModuleType, FunctionType, BuiltinFunctionType, MethodType, CodeType)
"""What is there however long it runs."""


def objects_kept(root: object) -> int:
    """Return how many objects can be reached from one, itself included and the program not.

    A word that is the key of a dict is not among them: Python's collector passes it over.
    """
    reached, waiting = {id(root)}, [root]
    while waiting:
        for each in gc.get_referents(waiting.pop()):
            if id(each) not in reached and not isinstance(each, PROGRAM):
                reached.add(id(each))
                waiting.append(each)
    return len(reached)
