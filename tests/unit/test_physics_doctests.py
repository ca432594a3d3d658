"""The worked examples in the physics docstrings hold."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import holdwatch_physics

MODULES = [m.name for m in pkgutil.iter_modules(holdwatch_physics.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_docstring_examples_hold(name: str) -> None:
    module = importlib.import_module(f"holdwatch_physics.{name}")
    assert doctest.testmod(module).failed == 0


def test_the_formula_modules_do_carry_examples() -> None:
    with_examples = {
        name
        for name in MODULES
        if doctest.testmod(importlib.import_module(f"holdwatch_physics.{name}")).attempted
    }
    assert with_examples >= {
        "atmosphere", "fluids", "leak", "refrigeration", "substances", "trace_line", "units",
        "water",
    }  # fmt: skip
