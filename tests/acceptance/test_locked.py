"""The locked requirements: all that pyproject.toml asks for, pinned and with hashes, on every Python."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
WANTED = [
    *PROJECT["project"]["dependencies"],
    *PROJECT["project"]["optional-dependencies"]["report"],
    *PROJECT["build-system"]["requires"],
]
LOCKS = {
    ROOT / "hardware" / "requirements.txt": WANTED,
    ROOT / "hardware" / "requirements-tests.txt": [
        *WANTED,
        *PROJECT["project"]["optional-dependencies"]["test"],
    ],
}
HASHES = r"(?:    --hash=sha256:[0-9a-f]{64}(?: \\)?\n)+"
PIN = re.compile(rf"^(?P<pin>[A-Za-z0-9].*?) \\\n{HASHES}", re.MULTILINE)
REFRESH = "refresh it by `bash .ci/lock`"


each_lock = pytest.mark.parametrize("lock", LOCKS, ids=lambda lock: lock.stem)


@each_lock
def test_every_pin_has_hashes(lock):
    text = re.sub(r"(?m)^\s*#.*\n", "", lock.read_text())
    assert PIN.sub("", text).strip() == ""


def pinned_in(lock: Path, here: dict[str, str]) -> dict[str, str]:
    pins = [Requirement(found["pin"]) for found in PIN.finditer(lock.read_text())]
    valid = [pin for pin in pins if pin.marker is None or pin.marker.evaluate(here)]
    pinned = {
        canonicalize_name(pin.name): next(iter(pin.specifier)).version for pin in valid
    }
    assert len(pinned) == len(valid)
    return pinned


@pytest.mark.parametrize("python", ["3.11", "3.12", "3.13"])
@pytest.mark.parametrize("machine", ["x86_64", "aarch64"])
@each_lock
def test_what_is_asked_for_is_pinned(lock, python, machine):
    here = {
        "python_version": python,
        "python_full_version": f"{python}.0",
        "sys_platform": "linux",
        "platform_machine": machine,
        "implementation_name": "cpython",
    }
    pinned = pinned_in(lock, here)
    for wanted in map(Requirement, LOCKS[lock]):
        if wanted.marker is None or wanted.marker.evaluate(here):
            version = pinned.get(canonicalize_name(wanted.name))
            assert version is not None, f"{wanted} is not in {lock.name}; {REFRESH}"
            assert wanted.specifier.contains(version), (
                f"{wanted}, but {version} is locked; {REFRESH}"
            )
    tested, shipped = (pinned_in(each, here) for each in reversed(LOCKS))
    assert {name: tested.get(name) for name in shipped} == shipped, (
        f"tests run with others; {REFRESH}"
    )
