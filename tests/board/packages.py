"""Print where each Python package of an installation comes from: `python -m tests.board.packages FOLDER`.

For every package, for Python 3.11 to 3.13 on both kinds of board: a wheel, or the
source, and whether that needs a compiler. Then the libraries of the system that the
wheels for ARM are linked with, and the Debian packages that have them. Needs a network,
and `pip install uv packaging pyelftools`; what it fetches stays in FOLDER.
"""

from __future__ import annotations

import io
import subprocess
import sys
import tarfile
import tomllib
import urllib.request
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from elftools.elf.dynamic import DynamicSection
from elftools.elf.elffile import ELFFile
from packaging.markers import Marker
from packaging.tags import Tag, compatible_tags, cpython_tags
from packaging.utils import parse_wheel_filename

ROOT = Path(__file__).parents[2]
PYTHONS = ((3, 11), (3, 12), (3, 13))
MACHINES = ("aarch64", "x86_64")
GLIBC = 36
"""Of Debian 12: 2.36."""
COMPILED = (".c", ".cc", ".cpp", ".pyx", ".rs", ".f90")
LIBC = (
    "libc.so",
    "libm.so",
    "libpthread.so",
    "libdl.so",
    "librt.so",
    "libutil.so",
    "ld-linux",
)
DEBIAN = {
    "libatomic.so.1": "libatomic1",
    "libgcc_s.so.1": "libgcc-s1",
    "libstdc++.so.6": "libstdc++6",
    "libz.so.1": "zlib1g",
}
"""The package that has each library; all but the first are there in every Debian (apt needs them)."""


def locked(folder: Path) -> list[dict[str, Any]]:
    """Return the packages that an installation of today takes, as pylock.toml has them."""
    lock = folder / "pylock.toml"
    subprocess.run(
        [sys.executable, "-m", "uv", "pip", "compile", "--quiet", "pyproject.toml", "--extra", "report",
         "--universal", "--python-version", "3.11", "--format", "pylock.toml", "--output-file", lock],
        cwd=ROOT, check=True,
    )  # fmt: skip
    return list(tomllib.loads(lock.read_text())["packages"])


def is_wanted(package: dict[str, Any], python: tuple[int, int], machine: str) -> bool:
    """Tell whether a board with this Python gets the package."""
    version = f"{python[0]}.{python[1]}"
    board = {
        "python_version": version,
        "python_full_version": f"{version}.2",
        "sys_platform": "linux",
        "platform_system": "Linux",
        "platform_machine": machine,
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
    }
    return "marker" not in package or Marker(package["marker"]).evaluate(board)


def tags(python: tuple[int, int], machine: str) -> list[Tag]:
    """Return the wheel tags that fit a board with Debian 12 or newer, the best first."""
    platforms = [f"manylinux_2_{minor}_{machine}" for minor in range(GLIBC, 4, -1)]
    platforms += [f"manylinux{year}_{machine}" for year in (2014, 2010)]
    return [
        *cpython_tags(python, platforms=platforms),
        *compatible_tags(python, platforms=platforms),
    ]


def wheel_for(
    package: dict[str, Any], python: tuple[int, int], machine: str
) -> str | None:
    """Return the address of the wheel that fits best."""
    rank = {tag: n for n, tag in enumerate(tags(python, machine))}
    fitting = []
    for wheel in package.get("wheels", []):
        *_, of_wheel = parse_wheel_filename(wheel["url"].rsplit("/", 1)[1])
        fitting += [(rank[tag], str(wheel["url"])) for tag in of_wheel if tag in rank]
    return min(fitting)[1] if fitting else None


def fetched(url: str, folder: Path) -> bytes:
    """Return a file, from the folder if it was fetched before."""
    path = folder / url.rsplit("/", 1)[1]
    if not path.exists():
        with urllib.request.urlopen(url) as answer:
            path.write_bytes(answer.read())
    return path.read_bytes()


def source_of(package: dict[str, Any], folder: Path) -> str:
    """Return what it takes to make a package without a wheel."""
    if "sdist" not in package:
        return "NOTHING"
    with tarfile.open(
        fileobj=io.BytesIO(fetched(package["sdist"]["url"], folder))
    ) as archive:
        is_compiled = any(name.endswith(COMPILED) for name in archive.getnames())
    return "source, NEEDS A COMPILER" if is_compiled else "source, pure Python"


def came_from(
    package: dict[str, Any], python: tuple[int, int], machine: str, folder: Path
) -> str:
    """Return where a board gets the package from."""
    if not is_wanted(package, python, machine):
        return "-"
    url = wheel_for(package, python, machine)
    if url is None:
        return source_of(package, folder)
    return "any" if url.endswith("-none-any.whl") else "wheel"


def libraries(wheel: bytes) -> Iterator[str]:
    """Yield the libraries that a wheel is linked with and does not bring."""
    with zipfile.ZipFile(io.BytesIO(wheel)) as archive:
        names = [name for name in archive.namelist() if ".so" in Path(name).name]
        brought = {Path(name).name for name in names}
        for name in names:
            dynamic = ELFFile(io.BytesIO(archive.read(name))).get_section_by_name(
                ".dynamic"
            )
            if isinstance(dynamic, DynamicSection):
                yield from (
                    tag.needed
                    for tag in dynamic.iter_tags("DT_NEEDED")
                    if tag.needed not in brought and not tag.needed.startswith(LIBC)
                )


def print_packages(packages: list[dict[str, Any]], folder: Path) -> bool:
    """Print a line for each package; return whether every board gets each without a compiler."""
    boards = [(python, machine) for machine in MACHINES for python in PYTHONS]
    print(
        "| package | version | "
        + " | ".join(f"{m} {p[0]}.{p[1]}" for p, m in boards)
        + " |"
    )
    print("|---|---|" + "---|" * len(boards))
    is_well = True
    for package in packages:
        cells = [
            came_from(package, python, machine, folder) for python, machine in boards
        ]
        is_well &= not any("NEEDS" in cell or "NOTHING" in cell for cell in cells)
        print(
            f"| {package['name']} | {package['version']} | " + " | ".join(cells) + " |"
        )
    return is_well


def print_libraries(packages: list[dict[str, Any]], folder: Path) -> bool:
    """Print which libraries the wheels for ARM need; return whether their Debian packages are known."""
    needed: dict[str, set[str]] = {}
    for package in packages:
        for python in PYTHONS:
            url = wheel_for(package, python, "aarch64")
            if (
                is_wanted(package, python, "aarch64")
                and url
                and not url.endswith("-none-any.whl")
            ):
                for library in libraries(fetched(url, folder)):
                    needed.setdefault(library, set()).add(package["name"])
    for library, names in sorted(needed.items()):
        print(
            f"{library} ({DEBIAN.get(library, 'UNKNOWN')}): {', '.join(sorted(names))}"
        )
    return needed.keys() <= DEBIAN.keys()


def main(folder: Path) -> int:
    """Print both lists; return 1 when something is not to be had."""
    folder.mkdir(parents=True, exist_ok=True)
    packages = locked(folder)
    is_well = print_packages(packages, folder)
    print()
    return 0 if print_libraries(packages, folder) & is_well else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
