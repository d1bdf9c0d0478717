"""The examples in docstrings say what the code does."""

import doctest
import pkgutil
from importlib import import_module

import companion


def test_every_example_holds():
    found = [
        doctest.testmod(import_module(module.name))
        for module in pkgutil.walk_packages(companion.__path__, "companion.")
        if not module.name.endswith("__main__")
    ]
    assert [result for result in found if result.failed] == []
    assert sum(result.attempted for result in found) >= 40
