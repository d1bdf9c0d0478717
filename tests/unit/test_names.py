"""The house's language: one public name for one thing, verbs that say something, docstrings with a head.

The vocabulary is `companion/docs/glossary.md`; what is counted here is what a newcomer
stumbles over.
"""

from __future__ import annotations

import ast
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = {
    path: ast.parse(path.read_text())
    for path in sorted((ROOT / "companion").rglob("*.py"))
}

MOST_METHODS = 20
MOST_LINES = 60
MEDIAN_LINES = 10
EMPTY_VERBS = {"take", "at", "do", "tell", "place", "put"}
ALLOWED_VERBS = {
    "at": "of a curve, a surface or a track: its value at a place or a time",
    "place": "of an event: a noun, where it was",
}
HEADLESS = (
    "what ",
    "whether ",
    "how ",
    "where ",
    "when ",
    "which ",
    "who ",
    "why ",
    "so many ",
)


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def nodes(*kinds: type[ast.AST]) -> Iterator[tuple[Path, ast.AST]]:
    for path, tree in MODULES.items():
        for node in ast.walk(tree):
            if isinstance(node, kinds):
                yield path, node


def assigned(node: ast.stmt) -> list[str]:
    targets = (
        node.targets
        if isinstance(node, ast.Assign)
        else [getattr(node, "target", None)]
    )
    flat = [part for target in targets for part in getattr(target, "elts", [target])]
    return [part.id for part in flat if isinstance(part, ast.Name)]


def public_names() -> Iterator[tuple[str, str]]:
    """Every public class and constant of a module, with the module."""
    for path, tree in MODULES.items():
        for node in tree.body:
            names = [node.name] if isinstance(node, ast.ClassDef) else []
            if isinstance(node, ast.Assign | ast.AnnAssign):
                names = [
                    name for name in assigned(node) if name.isupper() and len(name) > 1
                ]
            yield from (
                (name, name_of(path)) for name in names if not name.startswith("_")
            )


def test_a_public_name_means_one_thing():
    places = defaultdict(set)
    for name, module in public_names():
        places[name].add(module)
    assert {name: modules for name, modules in places.items() if len(modules) > 1} == {}


def test_constants_say_what_they_are():
    """A name of one word says too little: models of this house have 12 to 36 in a hundred of them."""
    constants = {(name, module) for name, module in public_names() if name.isupper()}
    single = [name for name, _ in constants if "_" not in name]
    assert len(single) / len(constants) < 0.2


def test_the_verb_of_a_public_method_says_something():
    found = Counter(
        method.name
        for _, node in nodes(ast.ClassDef)
        for method in node.body
        if isinstance(method, ast.FunctionDef) and method.name in EMPTY_VERBS
    )
    assert set(found) <= set(ALLOWED_VERBS)


def test_docstrings_have_a_head():
    headless = [
        f"{name_of(path)}: {node.name}"
        for path, node in nodes(ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
        if (ast.get_docstring(node) or "").lower().startswith(HEADLESS)
    ]
    assert headless == []


def test_classes_and_functions_stay_small():
    classes = {
        f"{name_of(path)}: {node.name}": sum(
            isinstance(part, ast.FunctionDef) for part in node.body
        )
        for path, node in nodes(ast.ClassDef)
    }
    assert {
        name: count for name, count in classes.items() if count > MOST_METHODS
    } == {}
    lengths = {
        f"{name_of(path)}: {node.name}": node.end_lineno - node.lineno + 1
        for path, node in nodes(ast.FunctionDef, ast.AsyncFunctionDef)
    }
    assert {name: lines for name, lines in lengths.items() if lines > MOST_LINES} == {}
    assert statistics.median(lengths.values()) < MEDIAN_LINES


@pytest.mark.parametrize("word", sorted(ALLOWED_VERBS))
def test_what_is_allowed_is_in_use(word):
    assert any(node.name == word for _, node in nodes(ast.FunctionDef))
