"""The installer: a second run downloads nothing, and where something is missing it says what to do.

Fresh set-ups are tried with stand-ins for Python, apt-get and sudo on an otherwise
nearly empty PATH; the stand-ins write down what they were asked to do. The set-up with
the real ones is what CI begins with.
"""

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NOWHERE = "http://127.0.0.1:9/"
"""An address where nothing answers."""

PYTHON = """#!{bash}
# A stand-in: says it is Python $VERSION, makes environments that hold copies of itself.
VERSION=3.11
[ -e "$STAND_INS/version" ] && VERSION=$(cat "$STAND_INS/version")
asked() {{ echo "$*" >> "$STAND_INS/asked"; }}
case "$*" in
    --version) echo "Python $VERSION.0" ;;
    "-c import sys; sys.exit(sys.version_info < (3, 11))") [ "${{VERSION#3.}}" -ge 11 ] ;;
    "-c import pip") true ;;
    "-c import ensurepip, venv") [ ! -e "$STAND_INS/no-venv" ] ;;
    "-c "*tomllib*) cat pyproject.toml ;;
    "-c import sys; print"*) echo "python$VERSION-venv" ;;
    "-m venv "*) mkdir -p "$3/bin"; cp "$0" "$3/bin/python"; touch "$3/pyvenv.cfg"; asked venv ;;
    "-m pip "*) shift; asked "$@"; [ ! -e "$STAND_INS/offline" ] ;;
    "-m companion.voice.model") asked model ;;
    *) echo "not expected: $*" >&2; exit 70 ;;
esac
"""
ASKED = """#!{bash}
echo "$(basename "$0") $*" >> "$STAND_INS/asked"
"""
NEEDED = (
    "bash", "basename", "cat", "cp", "dirname", "env", "grep", "head", "mkdir", "rm", "sed", "sha256sum",
    "sync", "touch", "uname",
)  # fmt: skip
LOCKED = "pip install --quiet --require-hashes --requirement hardware/requirements.txt"
PIP = (LOCKED, "pip install --quiet --no-build-isolation --editable .[report]")
PIP_FOR_TESTS = (
    LOCKED.replace(".txt", "-tests.txt"),
    "pip install --quiet --no-build-isolation --editable .[report,test]",
)


class Setup:
    """A folder with the installer in it, and a PATH with stand-ins."""

    def __init__(self, folder: Path) -> None:
        self.project = folder / "a boat"
        (self.project / "hardware").mkdir(parents=True)
        shutil.copy(ROOT / "hardware" / "install.sh", self.project / "hardware")
        for name in ("requirements.txt", "requirements-tests.txt"):
            (self.project / "hardware" / name).touch()
        (self.project / "pyproject.toml").write_text("[project]\n")
        self.programs = folder / "programs"
        self.programs.mkdir()
        for name in NEEDED:
            (self.programs / name).symlink_to(str(shutil.which(name)))
        self.stand_in("python3", PYTHON)
        for name in (
            "arecord", "espeak-ng", "flite", "gpsdecode", "shellcheck", "dpkg-query", "ldconfig", "chromium",
            "pulseaudio", "pactl",
        ):  # fmt: skip
            self.stand_in(name, "#!{bash}\necho 'ok installed libatomic.so'\n")

    def stand_in(self, name: str, text: str) -> None:
        path = self.programs / name
        path.write_text(text.format(bash=shutil.which("bash")))
        path.chmod(0o755)

    def without(self, *names: str) -> None:
        for name in names:
            (self.programs / name).unlink()

    def mark(self, name: str, text: str = "") -> None:
        (self.programs / name).write_text(text)

    def run(
        self, *options: str, **environment: str
    ) -> subprocess.CompletedProcess[str]:
        (self.programs / "asked").unlink(missing_ok=True)
        return subprocess.run(
            [self.programs / "bash", "hardware/install.sh", *options],
            cwd=self.project,
            env={"PATH": str(self.programs), "STAND_INS": str(self.programs), **environment},
            capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    @property
    def asked(self) -> list[str]:
        path = self.programs / "asked"
        return path.read_text().splitlines() if path.exists() else []


@pytest.fixture
def setup(tmp_path: Path) -> Setup:
    return Setup(tmp_path)


def test_a_second_run_here_downloads_nothing() -> None:
    """With the real Python and packages, as the installer left them in this folder."""
    offline = dict.fromkeys(
        ("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"), NOWHERE
    )
    pip = {"PIP_NO_INDEX": "1", "PIP_INDEX_URL": NOWHERE, "PIP_RETRIES": "0"}
    result = subprocess.run(
        ["bash", "hardware/install.sh", "--tests"],
        cwd=ROOT, env=os.environ | offline | pip, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert result.returncode == 0, (
        f"{result.stdout}{result.stderr}\nIs the set-up of this folder older than its pyproject.toml? "
        "Run: bash hardware/install.sh --tests"
    )
    lines = result.stdout.splitlines()
    assert [
        line for line in lines if line.startswith(("needed", "installing", "making"))
    ] == []
    assert lines[0].startswith("speech model: ")
    assert lines[1] == "The companion is ready: .venv/bin/companion --help"
    assert lines[2].startswith("Not for navigation.")
    assert result.stderr == ""


def test_a_first_run_and_a_second(setup: Setup) -> None:
    first = setup.run()
    assert (first.returncode, first.stderr) == (0, "")
    assert setup.asked == ["venv", *PIP, "model"]
    second = setup.run()
    assert second.returncode == 0
    assert setup.asked == ["model"]
    assert "installing" not in second.stdout


def test_test_tools_are_added_and_stay(setup: Setup) -> None:
    setup.run()
    setup.run("--tests")
    assert setup.asked == [*PIP_FOR_TESTS, "model"]
    setup.run()
    assert setup.asked == ["model"]
    (setup.project / "pyproject.toml").write_text("[project]\nversion = '2'\n")
    setup.run()
    assert setup.asked == [*PIP_FOR_TESTS, "model"]


def test_a_folder_that_was_moved_gets_a_new_environment(setup: Setup) -> None:
    setup.run()
    setup.project = setup.project.rename(setup.project.with_name("another boat"))
    setup.run()
    assert setup.asked == ["venv", *PIP, "model"]


def test_something_else_named_venv_is_not_removed(setup: Setup) -> None:
    precious = setup.project / ".venv" / "precious"
    precious.parent.mkdir()
    precious.touch()
    result = setup.run()
    assert result.returncode == 1
    assert "move it away" in result.stderr
    assert precious.exists()


def test_offline_it_says_so_and_a_later_run_goes_on(setup: Setup) -> None:
    setup.mark("offline")
    result = setup.run()
    assert result.returncode == 1
    assert (
        "If there is no network here, connect to one once and run this again"
        in result.stderr
    )
    setup.without("offline")
    assert setup.run().returncode == 0
    assert setup.asked == [*PIP, "model"]


@pytest.mark.parametrize("chosen", ["", "python3"])
def test_an_old_python_is_named(setup: Setup, chosen: str) -> None:
    setup.mark("version", "3.9")
    result = setup.run(PYTHON=chosen)
    assert result.returncode == 1
    assert (
        "Python 3.11 or newer is needed, and python3 is Python 3.9.0." in result.stderr
    )
    assert "PYTHON=/path/to/python3.11" in result.stderr
    assert setup.asked == []


def test_a_newer_python_beside_an_old_one_is_found(setup: Setup) -> None:
    setup.mark("version", "3.9")
    setup.stand_in(
        "python3.12", PYTHON.replace("/version", "/none").replace("3.11\n", "3.12\n")
    )
    assert setup.run().returncode == 0
    assert setup.asked == ["venv", *PIP, "model"]


def test_missing_packages_are_said_and_installed(setup: Setup) -> None:
    setup.without("arecord", "espeak-ng")
    setup.mark("no-venv")
    setup.stand_in("apt-get", ASKED)
    setup.stand_in("sudo", ASKED + '"$@"\n')
    result = setup.run()
    assert (
        "needed: alsa-utils (microphone and speaker: arecord, aplay)" in result.stdout
    )
    assert "needed: espeak-ng (the companion's voice)" in result.stdout
    assert (
        "needed: python3-venv (keeps the companion's Python packages apart)"
        in result.stdout
    )
    apt = [line for line in setup.asked if line.startswith("apt-get")]
    packages = "alsa-utils espeak-ng python3-venv"
    assert apt == [
        "apt-get update -qq",
        f"apt-get install -qq --yes --no-install-recommends {packages}",
    ]
    assert any(line.startswith("sudo") for line in setup.asked) == (os.geteuid() != 0)


def test_packages_that_were_cut_off_are_ended_before_others_come(setup: Setup) -> None:
    setup.without("arecord")
    for name in ("apt-get", "dpkg"):
        setup.stand_in(name, ASKED)
    setup.stand_in("sudo", ASKED + '"$@"\n')
    assert setup.run().returncode == 0
    asked = [line for line in setup.asked if line.startswith(("apt-get", "dpkg"))]
    assert asked[0] == "dpkg --configure -a"
    assert asked[1] == "apt-get update -qq"


def fails(setup: Setup) -> None:
    setup.stand_in("apt-get", "#!{bash}\nexit 100\n")


def is_absent(setup: Setup) -> None:
    assert not (setup.programs / "apt-get").exists()


@pytest.mark.parametrize("apt_get", [fails, is_absent])
def test_without_the_packages_it_goes_on_as_far_as_it_can(
    setup: Setup, apt_get: Callable[[Setup], None]
) -> None:
    setup.without("arecord")
    apt_get(setup)
    result = setup.run()
    assert result.returncode == 0
    assert setup.asked == ["venv", *PIP, "model"]
    assert (
        "STILL MISSING, and the companion may not hear or speak without: alsa-utils."
        in result.stdout
    )
    assert "As root, with a network: apt-get install alsa-utils" in result.stdout


@pytest.mark.parametrize("apt_get", [fails, is_absent])
def test_tests_are_not_set_up_by_halves(
    setup: Setup, apt_get: Callable[[Setup], None]
) -> None:
    setup.without("flite")
    apt_get(setup)
    result = setup.run("--tests")
    assert result.returncode == 1
    assert (
        "these Debian packages are needed and could not be installed: flite."
        in result.stderr
    )
    assert setup.asked == []


def test_help_begins_with_an_example(setup: Setup) -> None:
    result = setup.run("--help")
    assert result.returncode == 0
    assert result.stdout.startswith("Example: bash hardware/install.sh\n")
    wrong = setup.run("--fast")
    assert wrong.returncode == 2
    assert wrong.stderr.startswith("Example: ")
    assert setup.asked == []
