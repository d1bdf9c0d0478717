"""The installer with stand-ins for Python and for all that would change the system, on a scratch system."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

HARDWARE = Path(__file__).parents[2] / "hardware"
DEVICE_GROUPS = ("dialout", "audio", "gpio")
SERVICE_IS_HERE = any(
    Path(path).exists()
    for path in ("/opt/companion", "/etc/systemd/system/companion.service")
)
UNIT = Path("etc/systemd/system/companion.service")
RULES = Path("etc/udev/rules.d/70-companion.rules")
INSTALLED = {
    str(UNIT),
    str(RULES),
    "etc/companion/companion.toml",
    "etc/bash_completion.d/companion",
    "usr/local/bin/companion",
}
PYTHON = r"""#!/bin/bash
case "$*" in
    --version) echo "Python 3.11.0" ;;
    "-c import sys; sys.exit(sys.version_info < (3, 11))" | "-c import ensurepip, venv" | "-c import pip") ;;
    "-c import os, sys; print"*) echo /usr/bin/python3 ;;
    "-c import sys; print"*) echo python3-venv ;;
    "-c "*tomllib*) cat pyproject.toml ;;
    "-m venv "*) mkdir -p "$3/bin" && cp "$0" "$3/bin/python" && touch "$3/pyvenv.cfg" ;;
    "-m pip "*)
        echo "$*" >> "$STAND_INS/asked"
        if [ -e "$STAND_INS/offline" ]; then exit 1; fi
        cp "$STAND_INS/companion" "${0%/*}/companion" ;;
    "-m companion.voice.model") echo "speech model: here" ;;
    *) echo "not expected: $*" >&2; exit 70 ;;
esac
"""
PROGRAM = """#!/bin/bash
if [ "$_COMPANION_COMPLETE" = bash_source ]; then echo "a completion"; else echo 'units = "feet"'; fi
"""
ASKED = """#!/bin/bash
echo "$(basename "$0") $*" >> "$STAND_INS/asked"
"""
CHANGES_THE_SYSTEM = (
    "apt-get",
    "sudo",
    "groupadd",
    "useradd",
    "userdel",
    "usermod",
    "systemctl",
    "udevadm",
    "chown",
)


class Board:
    """A project folder, a scratch system to install into, and a PATH whose first entries are stand-ins."""

    def __init__(self, folder: Path) -> None:
        self.project = folder / "a boat"
        (self.project / "companion").mkdir(parents=True)
        (self.project / "companion" / "__init__.py").touch()
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            (self.project / name).write_text("[project]\n")
        shutil.copytree(HARDWARE, self.project / "hardware")
        self.system = folder / "a system"
        self.home = folder / "home"
        self.home.mkdir()
        self.programs = folder / "programs"
        self.programs.mkdir()
        self.stand_in("python", PYTHON)
        self.stand_in("companion", PROGRAM)
        for name in (*CHANGES_THE_SYSTEM, "arecord", "espeak-ng"):
            self.stand_in(name, ASKED)

    def stand_in(self, name: str, text: str) -> None:
        (self.programs / name).write_text(text)
        (self.programs / name).chmod(0o755)

    def run(
        self, *options: str, destination: bool = True, **environment: str
    ) -> subprocess.CompletedProcess[str]:
        (self.programs / "asked").unlink(missing_ok=True)
        return subprocess.run(
            ["bash", "hardware/install.sh", *options],
            cwd=self.project,
            env={
                "PATH": f"{self.programs}:{os.environ['PATH']}",
                "STAND_INS": str(self.programs),
                "PYTHON": str(self.programs / "python"),
                "HOME": str(self.home),
            }
            | ({"DESTDIR": str(self.system)} if destination else {})
            | environment,
            capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip

    def change(self, text: str) -> None:
        """Let the project be another version, with a unit and udev rules that say so."""
        (self.project / "README.md").write_text(text)
        for path in (UNIT, RULES):
            kept = (HARDWARE / path.name).read_text()
            (self.project / "hardware" / path.name).write_text(f"# {text}\n{kept}")

    def unit_and_rules(self) -> set[str]:
        """Return the first lines of the unit and of the udev rules in place, the same as of one version."""
        return {
            (self.system / path).read_text().splitlines()[0] for path in (UNIT, RULES)
        }

    @property
    def asked(self) -> list[str]:
        path = self.programs / "asked"
        return path.read_text().splitlines() if path.exists() else []

    @property
    def files(self) -> set[str]:
        return {
            str(p.relative_to(self.system))
            for p in self.system.rglob("*")
            if not p.is_dir()
        }

    @property
    def current(self) -> str:
        return os.readlink(self.system / "opt/companion/current")
