"""The core stays made of small parts, and what it speaks is worded in one room."""

import ast
import re
from pathlib import Path

import pytest

import companion

ROOT = Path(companion.__file__).parent
MOST_METHODS = 20
SMALL_PARTS = ("trip", "casting", "live")
SPEAKS = {
    "announce",
    "speak_event",
    "tell",
    "tell_once",
    "say",
    "say_note",
    "speak",
    "speak_up",
    "once",
}
"""Functions, with any underscores before them, whose words are spoken."""


def modules(*rooms):
    return [path for room in rooms for path in sorted((ROOT / room).rglob("*.py"))]


def too_large(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            methods = [
                one
                for one in node.body
                if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef)
            ]
            if len(methods) > MOST_METHODS:
                yield f"{node.name} has {len(methods)} methods"


def is_words(node):
    """Tell whether an expression holds words of its own: a string, or a sum or choice of some."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, str)
    if isinstance(node, ast.BinOp):
        return is_words(node.left) or is_words(node.right)
    if isinstance(node, ast.IfExp):
        return is_words(node.body) or is_words(node.orelse)
    if isinstance(node, ast.JoinedStr):
        return any(
            isinstance(one, ast.Constant) and re.search("[a-z]", one.value)
            for one in node.values
        )
    return False


def is_for_the_log(call):
    return any(
        one.arg == "aloud" and ast.unparse(one.value) == "False"
        for one in call.keywords
    )


def words_spoken(tree):
    """Yield every call that speaks words of its own, instead of asking `companion.trip.wording` for them."""
    for call in ast.walk(tree):
        if isinstance(call, ast.Call):
            name = ast.unparse(call.func).rpartition(".")[2].lstrip("_")
            said = [
                one for one in call.args if name in SPEAKS and not is_for_the_log(call)
            ]
            said += [one.value for one in call.keywords if one.arg in ("reply", "line")]
            if any(is_words(one) for one in said if not is_kind(one)):
                yield f"line {call.lineno}: {ast.unparse(call)}"


def is_kind(node):
    """Tell whether an argument is one of the words that say what a line is about."""
    kinds = (
        "danger",
        "match",
        "cover",
        "water",
        "depth",
        "position",
        "notice",
        "answer",
        "outlook",
        "unclear",
    )
    return isinstance(node, ast.Constant) and node.value in kinds


@pytest.mark.parametrize(
    "path", modules(*SMALL_PARTS), ids=lambda path: f"{path.parent.name}/{path.name}"
)
def test_no_class_of_the_core_has_more_than_twenty_methods(path):
    assert not list(too_large(ast.parse(path.read_text(encoding="utf-8"))))


@pytest.mark.parametrize(
    "path", modules("trip", "live"), ids=lambda path: f"{path.parent.name}/{path.name}"
)
def test_every_spoken_line_is_worded_in_one_room(path):
    assert not list(words_spoken(ast.parse(path.read_text(encoding="utf-8"))))


@pytest.mark.parametrize(
    "code",
    [
        'self._tell("disk is full")',
        'tell(f"{name} lost")',
        'speech.say(t, "touch" if deep else wording.CLEAR, "match")',
        'Outcome(state, reply="done")',
    ],
)
def test_words_of_its_own_are_noticed(code):
    assert list(words_spoken(ast.parse(code)))


@pytest.mark.parametrize(
    "code",
    [
        "self._tell(wording.DISK_LOW)",
        'speech.say(t, wording.TREE_NOW, "notice")',
        'tell(f"{name}: {why}", aloud=False)',
    ],
)
def test_words_of_the_one_room_and_words_for_the_log_are_not(code):
    assert not list(words_spoken(ast.parse(code)))


def test_a_large_class_is_noticed():
    body = "".join(f"    def m{n}(self): ...\n" for n in range(MOST_METHODS + 1))
    assert list(too_large(ast.parse(f"class Large:\n{body}")))
